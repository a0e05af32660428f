package socket

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// Bounds of the server: our own choice.
const (
	clients   = 16               // at a time
	patience  = 10 * time.Second // for a request, and for a line to be taken
	streamGap = 5 * time.Second  // a stream with nothing to say sends an empty line: a client that is gone is noticed
)

// Handler carries requests out. Its methods may be called at the same time.
type Handler interface {
	// Status is the state now.
	Status() *Status
	// Ask carries a request of kind DoAsk out. peer is who asks.
	Ask(ctx context.Context, r Request, peer Peer) Answer
	// Use carries a request of kind DoUse out.
	Use(file string) (waits bool, err error)
	// Reload carries a request of kind DoReload out.
	Reload()
	// Stream starts a stream of r's kind. It ends when ctx does; what does not
	// fit the channel is dropped and counted in Missed of the next.
	Stream(ctx context.Context, r Request) (<-chan Answer, error)
}

// Peer is the process at the other end, as the kernel says.
type Peer struct {
	UID int // -1: not known
	PID int
}

// Owner tells whether the peer is root or the user that runs the daemon:
// somebody at the computer's own console.
func (p Peer) Owner() bool { return p.UID == 0 || p.UID == os.Geteuid() }

// Listen makes the socket in the runtime folder. Only who holds the rig's lock
// may call it: a socket that is left there is of a daemon that was killed.
func Listen(folder string) (*net.UnixListener, error) {
	path := filepath.Join(folder, Name)
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("the socket that was left there: %w", err)
	}
	l, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("the socket for other commands: %w", err)
	}
	if err := os.Chmod(path, 0o660); err != nil {
		return nil, errors.Join(fmt.Errorf("the socket for other commands: %w", err), l.Close())
	}
	return l, nil
}

// Serve answers until ctx is done, then closes the listener and ends every
// conversation. A fault of the program in a conversation ends that one only;
// notice is told.
func Serve(ctx context.Context, l net.Listener, h Handler, notice func(error)) {
	ctx, cancel := context.WithCancel(ctx)
	var all sync.WaitGroup
	defer all.Wait()
	defer cancel()
	stop := context.AfterFunc(ctx, func() { _ = l.Close() }) // Accept says what is wrong
	defer stop()
	room := make(chan struct{}, clients)
	for {
		c, err := accept(l)
		if fault := (*faultError)(nil); errors.As(err, &fault) {
			notice(err)
		}
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, net.ErrClosed) {
				return
			}
			select { // out of file descriptors, perhaps: it passes
			case <-time.After(time.Second):
			case <-ctx.Done():
			}
			continue
		}
		select {
		case room <- struct{}{}:
			all.Go(func() {
				defer func() {
					if r := recover(); r != nil {
						notice(fmt.Errorf("a request ended by a fault in the program: %v\n%s", r, debug.Stack()))
						_ = c.Close() // nothing more can be said
					}
					<-room
				}()
				converse(ctx, c, h)
			})
		default:
			_ = c.SetWriteDeadline(time.Now().Add(patience / 100))
			_ = send(c, Answer{Error: fmt.Sprintf("%d others ask already: try again", clients)}) // it is one too many
			_ = c.Close()
		}
	}
}

// faultError is a panic.
type faultError struct {
	panic any
	stack []byte
}

func (e *faultError) Error() string {
	return fmt.Sprintf("a fault in the program: %v\n%s", e.panic, e.stack)
}

// accept waits for a client. A panic is an error like any other: whoever
// listens has the outputs of a shop.
func accept(l net.Listener) (c net.Conn, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = &faultError{r, debug.Stack()}
		}
	}()
	return l.Accept()
}

// converse answers one client.
func converse(ctx context.Context, c net.Conn, h Handler) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	// The end of ctx ends whatever waits for the client.
	stop := context.AfterFunc(ctx, func() { _ = c.Close() })
	defer func() {
		if stop() {
			_ = c.Close() // nothing is lost: every line was written or not
		}
	}()
	in := bufio.NewReaderSize(c, maxRequest)
	for {
		if c.SetReadDeadline(time.Now().Add(patience)) != nil {
			return
		}
		line, err := in.ReadSlice('\n')
		if errors.Is(err, bufio.ErrBufferFull) {
			_ = answer(c, Answer{Error: fmt.Sprintf("a request has at most %d bytes", maxRequest)}) // and no more
			return
		}
		if err != nil {
			return
		}
		r, err := ParseRequest(line)
		var a Answer
		switch {
		case err != nil:
			a.Error = err.Error()
		case r.Do == DoStatus:
			a.Status = h.Status()
		case r.Do == DoAsk:
			a = h.Ask(ctx, r, peer(c))
		case r.Do == DoUse:
			a = use(h, r, peer(c))
		case r.Do == DoReload:
			a = reload(h, peer(c))
		default:
			stream(ctx, cancel, c, in, h, r)
			return
		}
		if answer(c, a) != nil {
			return
		}
	}
}

// use chooses a shop file, which only somebody at the computer's own console may.
func use(h Handler, r Request, who Peer) Answer {
	if !who.Owner() {
		return Answer{Error: "the shop is chosen by root or the user of the daemon on this computer, or at move-in"}
	}
	waits, err := h.Use(r.Shop)
	if err != nil {
		return Answer{Error: err.Error()}
	}
	return Answer{Waits: waits}
}

// reload has the files read again, which only somebody at the computer's own
// console may: as SIGHUP.
func reload(h Handler, who Peer) Answer {
	if !who.Owner() {
		return Answer{Error: "the files are read again for root or the user of the daemon on this computer"}
	}
	h.Reload()
	return Answer{}
}

// stream sends lines until the client goes or says anything more.
func stream(ctx context.Context, cancel func(), c net.Conn, in *bufio.Reader, h Handler, r Request) {
	lines, err := h.Stream(ctx, r)
	if err != nil {
		_ = answer(c, Answer{Error: err.Error()}) // and no more
		return
	}
	if c.SetReadDeadline(time.Time{}) != nil {
		return
	}
	gone := make(chan struct{})
	go func() {
		defer close(gone)
		defer func() {
			if recover() != nil {
				cancel() // a fault of the program ends this stream only
			}
		}()
		_, _ = in.ReadByte() // the client goes, or says what nobody listens to
		cancel()
	}()
	defer func() {
		_ = c.Close()
		<-gone
	}()
	// So that the client knows that it misses nothing from here on.
	if answer(c, Answer{}) != nil {
		return
	}
	tick := time.NewTicker(streamGap)
	defer tick.Stop()
	for {
		var a Answer
		select {
		case <-ctx.Done():
			return
		case next, ok := <-lines:
			if !ok {
				return
			}
			a = next
		case <-tick.C:
		}
		if answer(c, a) != nil {
			return
		}
	}
}

func answer(c net.Conn, a Answer) error {
	if err := c.SetWriteDeadline(time.Now().Add(patience)); err != nil {
		return err
	}
	return send(c, a)
}

func send(c net.Conn, a Answer) error {
	a.Version = Version
	b, err := json.Marshal(a)
	if err != nil {
		return err
	}
	_, err = c.Write(append(b, '\n'))
	return err
}

// peer asks the kernel who is at the other end.
func peer(c net.Conn) Peer {
	p := Peer{UID: -1}
	u, ok := c.(*net.UnixConn)
	if !ok {
		return p
	}
	raw, err := u.SyscallConn()
	if err != nil {
		return p
	}
	_ = raw.Control(func(fd uintptr) { // p stays as it is
		if cred, err := unix.GetsockoptUcred(int(fd), unix.SOL_SOCKET, unix.SO_PEERCRED); err == nil {
			p = Peer{UID: int(cred.Uid), PID: int(cred.Pid)}
		}
	})
	return p
}
