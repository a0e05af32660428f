package socket

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"kerfwind/cmd/kerfwind/internal/seam"
)

// Bounds of the server: our own choice.
const (
	clients   = 16               // at a time
	patience  = 10 * time.Second // for a request, and for a line to be taken
	streamGap = 5 * time.Second  // a stream with nothing to say sends an empty line: a client that is gone is noticed
)

// Peer is the process at the other end, as the kernel says.
type Peer struct {
	UID int // -1: not known
	PID int
}

// Owner reports whether the peer is root or the user that runs the daemon:
// somebody at the computer's own console.
func (p Peer) Owner() bool { return p.UID == 0 || p.UID == os.Geteuid() }

// Door is the peer's door.
func (p Peer) Door() seam.Door {
	if p.Owner() {
		return seam.Console
	}
	return seam.Local
}

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
// conversation. door is the shop as who asks may see it. A fault of the program in a conversation ends that one only;
// notice is told.
func Serve(ctx context.Context, l net.Listener, door func(Peer) seam.Shop, notice func(error)) {
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
				converse(ctx, c, door(peer(c)))
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
func converse(ctx context.Context, c net.Conn, shop seam.Shop) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	// The end of ctx ends whatever waits for the client.
	stop := context.AfterFunc(ctx, func() { _ = c.Close() })
	defer func() {
		if stop() {
			_ = c.Close() // nothing is lost: every line was written or not
		}
	}()
	in := bufio.NewReader(c)
	for {
		if c.SetReadDeadline(time.Now().Add(patience)) != nil {
			return
		}
		line, err := readLine(in, maxRequest)
		if errors.Is(err, errLong) {
			_ = answer(c, Answer{Error: fmt.Sprintf("a request has at most %d bytes", maxRequest)}) // and no more
			return
		}
		if err != nil {
			return
		}
		r, err := ParseRequest(line)
		if err != nil {
			if answer(c, failed(err)) != nil {
				return
			}
			continue
		}
		var items seam.Stream
		switch r.Do {
		case doFollow:
			items, err = shop.Follow(ctx, *r.Want)
		case doLast:
			items, err = shop.Last(ctx, *r.Span)
		default:
			if answer(c, one(ctx, shop, &r)) != nil {
				return
			}
			continue
		}
		if err != nil {
			_ = answer(c, failed(err)) // and no more
			return
		}
		stream(ctx, cancel, c, in, items)
		return
	}
}

// errLong says that a line is too long.
var errLong = errors.New("too long")

// readLine reads a line of at most so many bytes.
func readLine(in *bufio.Reader, most int) ([]byte, error) {
	var line []byte
	for {
		part, err := in.ReadSlice('\n')
		if len(line)+len(part) > most {
			return nil, errLong
		}
		line = append(line, part...)
		if !errors.Is(err, bufio.ErrBufferFull) {
			return line, err
		}
	}
}

// failed is the answer that says why not.
func failed(err error) Answer {
	if no := (*seam.Refused)(nil); errors.As(err, &no) {
		return Answer{Refused: no}
	}
	return Answer{Error: err.Error(), NoShop: errors.Is(err, seam.ErrNoShop)}
}

// one carries a request out that has one answer.
func one(ctx context.Context, shop seam.Shop, r *Request) Answer {
	var a Answer
	var err error
	switch r.Do {
	case doHello:
		a.Hello, err = point(shop.Hello(ctx))
	case doState:
		a.State, err = point(shop.State(ctx))
	case doAsk:
		a.Done, err = point(shop.Ask(ctx, *r.Ask))
	case doCheck:
		a.Checked, err = point(shop.Check(ctx, *r.File))
	case doAdopt:
		a.Ticket, err = point(shop.Adopt(ctx, *r.Adopt))
	case doAwait:
		wait, cancel := context.WithTimeout(ctx, patience)
		defer cancel()
		a.Ticket, err = point(shop.Await(wait, r.Ticket))
	case doReload:
		a.Ticket, err = point(shop.Reload(ctx))
	case doBench:
		a.Bench, err = point(shop.Bench(ctx, *r.Bench))
	case doListen:
		err = shop.Listen(ctx, r.Lease)
	case doTell:
		err = shop.Tell(ctx, *r.Word)
	case doClear:
		err = shop.Cleared(ctx, r.Duct)
	}
	if err != nil {
		return failed(err)
	}
	return a
}

func point[T any](x T, err error) (*T, error) { return &x, err }

// stream sends items until the client goes or says anything more.
func stream(ctx context.Context, cancel func(), c net.Conn, in *bufio.Reader, items seam.Stream) {
	defer func() { _ = items.Close() }() // nothing is lost
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
	for {
		wait, done := context.WithTimeout(ctx, streamGap)
		more := true
		for more {
			var a Answer
			x, err := items.Next(wait)
			switch {
			case err == nil:
				if a := float64(x.Reading.Amps); math.IsNaN(a) || math.IsInf(a, 0) {
					x.Reading.Amps = 0 // JSON knows no other; the verdict is unknown
				}
				a.Item = &x
			case errors.Is(err, io.EOF):
				a.End = true
			case ctx.Err() != nil:
				done()
				return
			default: // a sign of life
				more = false
			}
			if answer(c, a) != nil || a.End {
				done()
				return
			}
		}
		done()
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
