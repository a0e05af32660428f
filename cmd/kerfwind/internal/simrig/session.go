package simrig

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"

	"kerfwind/cmd/kerfwind/internal/panel"
	"kerfwind/cmd/kerfwind/internal/seam"
	"kerfwind/cmd/kerfwind/internal/timeline"
)

// hurry is how many seconds of the stream pass in a second while somebody waits for
// something: more than a small computer can do. It goes as fast as it gets.
const hurry = 1000

// lookEvery is how often it is looked whether a wait is over.
const lookEvery = 10 * time.Millisecond

// Session is a rehearsal: a world and its rig under people's hands, on a terminal and
// on the page at once.
type Session struct {
	World *World
	Rig   *Rig
	Speed float64                   // seconds of the stream in a second, while nobody waits
	Shop  seam.Shop                 // the running kerfwind
	Say   func(string)              // tells people something
	Power func(ctx context.Context) // cuts or returns the supply of the computer too, and returns once that is done

	mu   sync.Mutex
	wait context.CancelFunc // nil: nobody waits
}

var _ panel.Hands = (*Session)(nil)

// Run reads lines until the input or ctx ends, or somebody leaves, and reports whether
// that is to end the rehearsal: an input that never says anything does not.
func (s *Session) Run(ctx context.Context, in io.Reader) bool {
	lines := make(chan string)
	go func() { // it may stay in a read for ever
		defer close(lines)
		for sc := bufio.NewScanner(in); sc.Scan(); {
			select {
			case lines <- sc.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	if err := s.until(ctx, func(st *seam.State) bool { return st.Ready && st.Begun }); err != nil {
		return false // it never began: that is told elsewhere
	}
	s.Say("say what your hands do, for example: " + s.World.names['m'][0] + " on. help lists the words, look shows the workshop, leave ends")
	for said := false; ; said = true {
		select {
		case <-ctx.Done():
			return false
		case line, more := <-lines:
			line = strings.TrimSpace(line)
			if !more || line == "leave" {
				return more || said
			}
			if err := s.do(ctx, line); err != nil {
				s.Say(err.Error())
			}
		}
	}
}

// do does what a line says.
func (s *Session) do(ctx context.Context, line string) error {
	line, _, _ = strings.Cut(line, "#")
	words := strings.Fields(line)
	switch {
	case len(words) == 0:
		return nil
	case len(words) == 1 && words[0] == "help":
		for _, w := range s.World.Words() {
			s.Say(fmt.Sprintf("  %-32s %s", w[0], w[1]))
		}
		for _, w := range [][2]string{{"look", "show what the workshop truly does"}, {"wait 30s", "let so much of the shop's time pass at once"}, {"wait for rest", "let it pass until nothing runs or moves"}, {"leave", "end the rehearsal"}} {
			s.Say(fmt.Sprintf("  %-32s %s", w[0], w[1]))
		}
		return nil
	case len(words) == 1 && words[0] == "look":
		for _, g := range s.Look() {
			s.Say(g.Title + ":")
			for _, l := range g.Lines {
				s.Say(strings.TrimRight("  "+l.Name+": "+l.State, ": "))
			}
		}
		return nil
	case words[0] == "wait":
		return s.waits(ctx, strings.Join(words[1:], " "))
	}
	dead := s.World.Dead()
	if err := s.World.Do(line); err != nil {
		return err
	}
	if dead != s.World.Dead() && s.Power != nil {
		s.Power(ctx)
	}
	return nil
}

// waits lets time pass.
func (s *Session) waits(ctx context.Context, wish string) error {
	if s.World.Dead() {
		return errors.New("the power is off: give it back first")
	}
	if wish == "for rest" {
		said := ""
		return s.until(ctx, func(st *seam.State) bool {
			if !st.Begun || st.Rested {
				return st.Begun
			}
			names := timeline.Names(st.Names)
			why := names.Restless(&st.Snapshot)
			if kind, _, _ := strings.Cut(why, " for "); kind != said {
				said = kind
				s.Say("waiting: " + why)
			}
			return false
		})
	}
	long, err := time.ParseDuration(strings.ReplaceAll(wish, " ", ""))
	if err != nil || long <= 0 || long > 24*time.Hour {
		return fmt.Errorf("%q is no time: say for example wait 30s, wait 5m or wait for rest", wish)
	}
	end := time.Duration(-1)
	return s.until(ctx, func(st *seam.State) bool {
		if end < 0 {
			end = st.Now + long
		}
		return st.Now >= end || st.Now < end-long // a shop that was taken up since begins at zero
	})
}

// until hurries until something is so.
func (s *Session) until(ctx context.Context, so func(*seam.State) bool) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s.mu.Lock()
	if s.wait != nil {
		s.wait() // the newer wish counts
	}
	s.wait = cancel
	s.mu.Unlock()
	s.Rig.Hurry(hurry)
	defer s.Rig.Hurry(s.Speed)
	again := time.NewTicker(lookEvery)
	defer again.Stop()
	for {
		if st, err := s.Shop.State(ctx); err == nil && !st.NoShop && so(&st) {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-again.C:
		}
	}
}

// Look is the workshop, for the page.
func (s *Session) Look() []panel.HandGroup { return s.World.Look() }

// Do does what a line says, for the page: it waits beside.
func (s *Session) Do(line string) error {
	if strings.HasPrefix(line, "wait ") || line == "cut the power" || line == "give the power back" {
		go func() {
			if err := s.do(context.Background(), line); err != nil && !errors.Is(err, context.Canceled) {
				s.Say(err.Error())
			}
		}()
		return nil
	}
	return s.World.Do(line)
}
