package socket

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/sensor"
)

// ErrNobody is the error of Dial where no daemon runs.
var ErrNobody = errors.New("no kerfwind runs here")

// maxAnswer bounds a line of the daemon's. A frame of a second of eight
// channels at 2,000 scans a second has 86 kB.
const maxAnswer = 1 << 20

// Client is a conversation with the daemon. It is for one goroutine.
type Client struct {
	c    net.Conn
	in   *bufio.Reader
	line []byte
}

// Dial begins a conversation with the daemon of a runtime folder. The error is
// ErrNobody if none runs.
func Dial(folder string) (*Client, error) {
	path := filepath.Join(folder, Name)
	c, err := net.DialTimeout("unix", path, patience)
	switch {
	case errors.Is(err, os.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return nil, fmt.Errorf("%w (%s)", ErrNobody, path)
	case errors.Is(err, os.ErrPermission):
		return nil, fmt.Errorf("%s: %w: run as root, or join the group that owns it", path, os.ErrPermission)
	case err != nil:
		return nil, err
	}
	return NewClient(c), nil
}

// NewClient begins a conversation over a connection.
func NewClient(c net.Conn) *Client {
	return &Client{c: c, in: bufio.NewReaderSize(c, 64<<10)}
}

// Close ends the conversation.
func (c *Client) Close() error { return c.c.Close() }

// do asks and waits for the answer.
func (c *Client) do(ctx context.Context, r Request) (Answer, error) {
	if err := c.send(r); err != nil {
		return Answer{}, err
	}
	stop := context.AfterFunc(ctx, func() { _ = c.c.Close() })
	defer stop()
	if err := c.c.SetReadDeadline(time.Now().Add(2 * patience)); err != nil {
		return Answer{}, err
	}
	return c.next()
}

// start asks for a stream. When it returns, the stream has begun: next gives
// all that happens from here on. An Answer may be empty.
func (c *Client) start(r Request) error {
	if err := c.send(r); err != nil {
		return err
	}
	if err := c.c.SetReadDeadline(time.Now().Add(2 * patience)); err != nil {
		return err
	}
	if _, err := c.next(); err != nil {
		return err
	}
	return c.c.SetReadDeadline(time.Time{})
}

func (c *Client) send(r Request) error {
	r.Version = Version
	b, err := json.Marshal(r)
	if err != nil {
		return err
	}
	if err := c.c.SetWriteDeadline(time.Now().Add(patience)); err != nil {
		return err
	}
	_, err = c.c.Write(append(b, '\n'))
	return err
}

// next waits for the next line. The error is io.EOF after the last.
func (c *Client) next() (Answer, error) {
	var a Answer
	for { // a line that a deadline has cut is gone on with

		part, err := c.in.ReadSlice('\n')
		c.line = append(c.line, part...)
		if err == nil {
			break
		}
		if !errors.Is(err, bufio.ErrBufferFull) {
			if errors.Is(err, io.EOF) && len(c.line) > 0 {
				err = io.ErrUnexpectedEOF
			}
			return a, err
		}
		if len(c.line) > maxAnswer {
			return a, errors.New("the daemon's line is too long: is it kerfwind?")
		}
	}
	line := c.line
	c.line = c.line[:0]
	if err := json.Unmarshal(line, &a); err != nil {
		return a, fmt.Errorf("the daemon's answer: %w", err)
	}
	if a.Version != Version {
		return a, fmt.Errorf("the daemon speaks version %d, this program version %d: use the kerfwind that it runs", a.Version, Version)
	}
	switch {
	case a.Refused != nil:
		return a, a.Refused
	case a.NoShop:
		return a, seam.ErrNoShop
	case a.Error != "":
		return a, errors.New(a.Error)
	}
	return a, nil
}

// Source is the daemon's converter of a number as a source of frames, as they come
// from here on. A frame that the daemon had to drop shows as a jump of the index, as
// it would on the rig.
type Source struct {
	items seam.Stream

	mu  sync.Mutex
	end time.Duration // of the newest frame, on the daemon's stream
	got time.Time     // when it came
}

var _ sensor.Source = (*Source)(nil)

// Frames follows a converter.
func Frames(folder string, source int) (*Source, error) {
	items, err := At(folder).Follow(context.Background(), seam.Want{Frames: true, Source: source})
	if err != nil {
		return nil, err
	}
	return &Source{items: items}, nil
}

// Next waits for the next frame.
func (s *Source) Next(f *sensor.Frame) error {
	for {
		x, err := s.items.Next(context.Background())
		if errors.Is(err, io.ErrUnexpectedEOF) { // the daemon has gone: as a converter that is taken away
			err = io.EOF
		}
		if err != nil {
			return err
		}
		if x.Kind != seam.AFrame {
			continue
		}
		if err := x.Frame.To(f); err != nil {
			return err
		}
		s.mu.Lock()
		s.end, s.got = x.Frame.End(), time.Now()
		s.mu.Unlock()
		return nil
	}
}

// Now is the clock of the daemon's stream, as far as it can be told from here.
func (s *Source) Now() time.Duration {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.got.IsZero() {
		return 0
	}
	return s.end + time.Since(s.got)
}

// Close ends the stream.
func (s *Source) Close() error { return s.items.Close() }

// Last hands over what the daemon has in memory of the last while, or of all
// that there is for 0: frames with a sample of each channel of the rig in a
// scan. They are valid during the call only; an error of take ends it.
func Last(ctx context.Context, folder string, long time.Duration, take func(*sensor.Frame) error) error {
	shop := At(folder)
	st, err := shop.State(ctx)
	if err != nil {
		return err
	}
	span := st.Memory
	if long > 0 {
		span.From = max(span.From, span.To-long)
	}
	items, err := shop.Last(ctx, span)
	if err != nil {
		return err
	}
	defer func() { _ = items.Close() }() // only read
	var f sensor.Frame
	for {
		x, err := items.Next(ctx)
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		case x.Kind != seam.AFrame:
			continue
		}
		if err := x.Frame.To(&f); err != nil {
			return err
		}
		if err := take(&f); err != nil {
			return err
		}
	}
}
