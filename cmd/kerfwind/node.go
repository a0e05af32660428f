package main

import (
	"context"
	"errors"
	"os"

	"kerfwind/cmd/kerfwind/internal/daemon"
	"kerfwind/cmd/kerfwind/internal/live"
	"kerfwind/cmd/kerfwind/internal/node"
	"kerfwind/cmd/kerfwind/internal/rig"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/socket"
	"kerfwind/config"
)

// nodeRig is the rig where this computer is a node. What is wrong with the file
// is told by those who read it as a shop's.
func (r *runFlags) nodeRig() *config.Rig {
	if r.simulate {
		return nil
	}
	own, err := config.LoadRig(r.rig)
	if err != nil || !own.IsNode {
		return nil
	}
	return own
}

// node senses and drives for the computer that decides until ctx is done; stop
// ends that ctx takes signals.
func (r *runFlags) node(ctx context.Context, stop func(), out *live.Lines, own *config.Rig) error {
	if err := daemon.NoShop(r.shop); err != nil {
		return &exitError{exitConfig, err}
	}
	lock, listener, err := takeRig(rig.Folder(r.runtime))
	if err != nil {
		return err
	}
	defer func() { _ = lock.Free() }() // the kernel does it otherwise
	manager, err := rig.OpenManager(os.Getenv, os.Getpid())
	if err != nil {
		out.Notice(err) // it will not hear of READY, and says so
	}
	defer func() { _ = manager.Close() }() // nothing more is said
	context.AfterFunc(ctx, stop)           // a second signal ends the program at once
	host := node.NewHost(versionText(), r.rig, out.Notice)
	defer attend(ctx, listener, func(p socket.Peer) seam.Shop { return host.Door(p.Door()) }, host.Renew, out.Notice)()
	how := realRig()
	err = host.Serve(ctx, own, node.Options{Hardware: how.Hardware, Sources: how.Sources, Say: out.Say, Notice: out.Notice}, manager)
	switch unset := (*node.SecretsError)(nil); {
	case errors.As(err, &unset):
		return &exitError{exitConfig, err}
	case errors.As(err, new(*node.OpenError)):
		return &exitError{exitHardware, err}
	}
	return ended(err, out)
}
