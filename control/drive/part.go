package drive

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"kerfwind/control"
)

// Times of our own choice.
const (
	// seekEvery is how often a part that is missing is looked for.
	seekEvery = time.Second
	// lookEvery is how often a part that nobody uses is looked after.
	lookEvery = 5 * time.Second
	// firstWait is how long Open waits for servo chips. A bus that hangs keeps nobody
	// else from being served.
	firstWait = 500 * time.Millisecond
)

// errMissing is within the error of a command to a part that is missing.
var errMissing = errors.New("it is missing")

// Thing names what a part serves.
type Thing struct {
	Subject control.Subject // NoSubject: the rig as a whole
	ID      control.ID
}

// Missing is a part of the rig that cannot be reached: an output's line, a servo
// chip or its bus, a contact. Several that fail alike are one.
type Missing struct {
	Name string // of the part or parts, for people
	Err  error  // why, and what to do
	For  []Thing
}

// Error says what is missing, and why.
func (m *Missing) Error() string { return m.Name + ": " + m.Err.Error() }

// part is a piece of hardware that may be missing, at the start and later: a line, or
// a servo chip with its bus. Its worker seeks it while it is missing and looks after
// it while nobody uses it. What depends on it fails meanwhile, and nothing else does.
type part struct {
	d      *Driver
	name   string
	serves []target
	seek   func() error                   // takes hold of it, with everything that it drives off
	look   func() (again bool, err error) // while it is held: whether it has restarted by itself, or does not answer

	mu    sync.Mutex
	held  bool
	tried bool      // it was sought once
	told  bool      // people know that it is missing
	why   error     // not held: the reason
	next  time.Time // when it is sought or looked after; never zero once the worker runs
}

// drives reports whether a target depends on the part.
func (p *part) drives(t target) bool { return slices.Contains(p.serves, t) }

// isHeld reports whether the part is there.
func (p *part) isHeld() bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.held
}

// missing is the error of a command to a part that is not held, or nil.
func (p *part) missing() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.held {
		return nil
	}
	if p.why == nil {
		return errMissing // not sought yet
	}
	return fmt.Errorf("%w: %w", errMissing, p.because(p.why))
}

// doubt has the part looked after soon, since something has failed there.
func (p *part) doubt() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if soon := time.Now().Add(seekEvery); p.next.After(soon) {
		p.next = soon
	}
}

func (p *part) do(time.Time, control.Command) {}

func (p *part) due() time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.d.halted.Load() {
		return time.Time{}
	}
	return p.next
}

// fire seeks the part or looks after it, if that is due.
func (p *part) fire(now time.Time) {
	if due := p.due(); p.d.halted.Load() || now.Before(due) {
		return
	}
	was := p.isHeld()
	var again bool
	var err error
	if was {
		again, err = p.look()
	} else {
		err = p.seek()
	}
	if errors.Is(err, ErrHalted) {
		return
	}
	p.mu.Lock()
	first, told := !p.tried, p.told
	p.tried, p.held, p.why, p.next = true, err == nil, err, time.Now().Add(seekEvery)
	if err == nil {
		p.next = time.Now().Add(lookEvery)
	}
	p.told = err != nil && (told || was)
	p.mu.Unlock()
	switch {
	case err != nil && (was || first && told):
		p.d.trouble(fmt.Errorf("%s: %w", p.name, p.because(err)))
	case err == nil && told:
		p.d.trouble(fmt.Errorf("%s answers again", p.name))
		p.restarted(nil)
	case again:
		p.restarted(nil)
	}
	if first {
		p.d.tried()
	}
}

// tell notes that people are told what is missing.
func (p *part) tell() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.told = !p.held
}

// restarted tells control that what the part drives has started again: all but the
// target that has noticed it, which is being commanded.
func (p *part) restarted(but *target) {
	for _, t := range p.serves {
		if but != nil && t == *but {
			continue
		}
		c := control.Command{ID: t.id}
		switch t.class {
		case 'c':
			c.Kind = control.CollectorOff
		case 'o':
			c.Kind = control.OutletOff
		case 'g':
			c.Kind = control.GateStop
		case 'i':
			c.Kind = control.IndicatorOff
		default:
			continue // nothing is commanded there
		}
		p.d.report(Report{At: p.d.p.Now(), Input: control.InOutput(c, control.Lost)})
	}
}

// because is an error without the part's name in front.
func (p *part) because(err error) error {
	if text, ok := strings.CutPrefix(err.Error(), p.name+": "); ok {
		return errors.New(text)
	}
	return err
}

// thing is a target for those who have names for it.
func (t target) thing() Thing {
	switch t.class {
	case 'c':
		return Thing{control.ACollector, 0}
	case 'o':
		return Thing{control.AnOutlet, t.id}
	case 'g':
		return Thing{control.AGate, t.id}
	case 'i':
		return Thing{control.AnIndicator, t.id}
	}
	return Thing{control.NoSubject, control.NoID}
}

// Missing lists what cannot be reached now.
func (d *Driver) Missing() []Missing {
	var out missings
	for _, p := range d.parts {
		p.mu.Lock()
		held, why := p.held, p.why
		p.mu.Unlock()
		switch {
		case held:
			continue
		case why == nil:
			why = errors.New("it has not answered yet")
		}
		var serves []Thing
		for _, t := range p.serves {
			serves = append(serves, t.thing())
		}
		out.add(p.name, p.because(why), serves)
	}
	return d.sensed.missing(out)
}

// missings joins what fails alike: with a chip, all its lines are missing.
type missings []Missing

func (m *missings) add(name string, why error, serves []Thing) {
	for i := range *m {
		if x := &(*m)[i]; x.Err.Error() == why.Error() {
			if !slices.Contains(strings.Split(x.Name, ", "), name) {
				x.Name += ", " + name
			}
			for _, t := range serves {
				if !slices.Contains(x.For, t) {
					x.For = append(x.For, t)
				}
			}
			return
		}
	}
	*m = append(*m, Missing{name, why, serves})
}

// err joins all that is missing.
func (m missings) err() error {
	var errs []error
	for i := range m {
		errs = append(errs, &m[i])
	}
	return errors.Join(errs...)
}
