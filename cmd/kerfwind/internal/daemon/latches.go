package daemon

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"slices"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/control"
)

// latchesFile holds what control.Kept holds, by name. It is there from the first
// start on, also where nothing is latched.
const latchesFile = "latches.json"

// latches is that file. Every key must be there. A second line holds the check sum
// of the first, so that a damaged file is never believed.
type latches struct {
	Format  *int      `json:"format"`
	Shop    *string   `json:"shop"`
	Stopped *bool     `json:"stopped"` // a stop input acted, and nobody has reset it
	Failed  *string   `json:"failed"`  // the fault that keeps the collector off until a reset; "" none
	Aside   *[]aside  `json:"aside"`   // gates
	Left    *[]string `json:"left"`    // machines that are left alone until they are started again
}

// aside is a gate that is set aside. Its actuator finds it again where the gate has
// another name.
type aside struct {
	Gate     string `json:"gate"`
	Actuator string `json:"actuator"` // "": it is moved by hand
}

// latchesOf puts what a shop keeps in names.
func latchesOf(k *control.Kept, s *config.Shop) *latches {
	format, shop, stopped, failed := 1, s.Name, k.Stopped, ""
	if k.Failed != 0 {
		failed = k.Failed.String()
	}
	gates, left := []aside{}, []string{}
	for i := range s.Gates {
		if k.Aside>>i&1 != 0 {
			gates = append(gates, aside{s.Gates[i].Name, actuatorOf(s, i)})
		}
	}
	for i := range s.Machines {
		if k.Left>>i&1 != 0 {
			left = append(left, s.Machines[i].Name)
		}
	}
	return &latches{&format, &shop, &stopped, &failed, &gates, &left}
}

func actuatorOf(s *config.Shop, gate int) string {
	if a := s.Gates[gate].Actuator; a >= 0 {
		return s.Rig.Actuators[a].Name
	}
	return ""
}

// in finds what is kept in a shop. same says that it is the rig that stood here
// before, so that an actuator tells which gate was meant. What cannot be found is
// every gate or machine, and why says so.
func (l *latches) in(s *config.Shop, same bool) (k control.Kept, why []string) {
	k.Stopped, k.Failed = *l.Stopped, faultNamed(*l.Failed)
	home := *l.Shop == s.Name
	for _, a := range *l.Aside {
		i := -1
		if a.Actuator != "" && (home || same) {
			i = slices.IndexFunc(s.Gates, func(g config.Gate) bool { return g.Actuator >= 0 && s.Rig.Actuators[g.Actuator].Name == a.Actuator })
		}
		if i < 0 && home {
			i = slices.IndexFunc(s.Gates, func(g config.Gate) bool { return g.Name == a.Gate })
		}
		if i < 0 {
			k.Aside = control.Unreadable.Aside
			why = append(why, fmt.Sprintf("gate %q was set aside in the shop %q, and this shop (%q) has no such gate: every gate is set aside; take each back once no hand is near it", a.Gate, *l.Shop, s.Name))
			break
		}
		k.Aside |= 1 << i
	}
	for _, m := range *l.Left {
		i := slices.IndexFunc(s.Machines, func(x config.Machine) bool { return x.Name == m })
		if i < 0 || !home {
			k.Left = control.Unreadable.Left
			break
		}
		k.Left |= 1 << i
	}
	if !home && (k.Stopped || k.Failed != 0) {
		why = append(why, fmt.Sprintf("the collector was latched off in the shop %q, and stays so here: check the shop, then reset it there", *l.Shop))
	}
	return k, why
}

// faultNamed is the fault of that name if it keeps the collector off until a reset.
func faultNamed(name string) control.FaultKind {
	for f := control.FaultKind(1); int(f) < control.FaultKinds; f++ {
		if x := f.Facts(); x.Name == name && x.Latches && x.Subject == control.ACollector {
			return f
		}
	}
	return 0
}

func sumLine(b []byte) string { return fmt.Sprintf("%08x\n", crc32.ChecksumIEEE(b)) }

// encode is the file's text.
func (l *latches) encode() ([]byte, error) {
	b, err := json.Marshal(l)
	if err != nil {
		return nil, err
	}
	b = append(b, '\n')
	return append(b, sumLine(b)...), nil
}

// decodeLatches reads the file's text.
func decodeLatches(text []byte) (*latches, error) {
	at := bytes.IndexByte(text, '\n') + 1
	if at == 0 || string(text[at:]) != sumLine(text[:at]) {
		return nil, errors.New("its check sum is wrong: it was damaged or edited")
	}
	var l latches
	d := json.NewDecoder(bytes.NewReader(text[:at]))
	d.DisallowUnknownFields()
	if err := d.Decode(&l); err != nil {
		return nil, err
	}
	switch _, more := d.Token(); {
	case !errors.Is(more, io.EOF):
		return nil, errors.New("something follows what it holds")
	case l.Format == nil || l.Shop == nil || l.Stopped == nil || l.Failed == nil || l.Aside == nil || l.Left == nil:
		return nil, errors.New("a part of it is missing")
	case *l.Format != 1:
		return nil, fmt.Errorf("format is %d, this program knows 1", *l.Format)
	case *l.Failed != "" && faultNamed(*l.Failed) == 0:
		return nil, fmt.Errorf("%q latches nothing", *l.Failed)
	}
	return &l, nil
}

// readLatches reads what is kept in the state folder. Without a file nothing is
// kept: it is the first start.
func readLatches(folder string) (*latches, error) {
	text, err := state.Read(folder, latchesFile)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	var l *latches
	if err == nil {
		l, err = decodeLatches(text)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w: the collector counts as latched off and every gate as set aside; check the shop, reset it there and take each gate back", filepath.Join(folder, latchesFile), err)
	}
	return l, nil
}

// with returns what to store once a shop that runs only for a while has changed what it
// keeps. What another shop stored stays, but for that.
func (l *latches) with(was, is *control.Kept, s *config.Shop) *latches {
	now := latchesOf(is, s)
	if l == nil || *l.Shop == s.Name {
		return now
	}
	gates := slices.Clone(*l.Aside)
	for i := range s.Gates {
		a := aside{s.Gates[i].Name, actuatorOf(s, i)}
		switch bit := uint64(1) << i; {
		case is.Aside&^was.Aside&bit != 0:
			gates = append(gates, a)
		case was.Aside&^is.Aside&bit != 0:
			gates = slices.DeleteFunc(gates, func(x aside) bool { return x == a || a.Actuator != "" && x.Actuator == a.Actuator })
		}
	}
	next := *l
	next.Stopped, next.Failed, next.Aside = now.Stopped, now.Failed, &gates
	return &next
}
