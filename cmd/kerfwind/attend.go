package main

import (
	"context"
	"net"
	"os"
	"os/signal"
	"sync"
	"syscall"

	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/socket"
)

// takeRig takes the lock on the rig, and listens beside it for other commands.
func takeRig(folder string) (*rig.Lock, *net.UnixListener, error) {
	lock, err := rig.TakeLock(folder)
	if err != nil {
		return nil, nil, &exitError{exitHardware, err}
	}
	l, err := socket.Listen(folder)
	if err != nil {
		_ = lock.Free() // the kernel does it otherwise
		return nil, nil, &exitError{exitHardware, err}
	}
	return lock, l, nil
}

// attend answers other commands, and SIGHUP, also while ctx's end is carried
// out. end ends that, and waits.
func attend(ctx context.Context, l net.Listener, door func(socket.Peer) seam.Shop, reload func(), notice func(error)) (end func()) {
	hup := make(chan os.Signal, 1)
	signal.Notify(hup, syscall.SIGHUP)
	aside, cancel := context.WithCancel(context.WithoutCancel(ctx))
	var others sync.WaitGroup
	others.Go(func() { socket.Serve(aside, l, door, notice) })
	others.Go(func() {
		for {
			select {
			case <-hup:
				reload()
			case <-aside.Done():
				return
			}
		}
	})
	return func() {
		cancel()
		others.Wait()
		signal.Stop(hup)
	}
}
