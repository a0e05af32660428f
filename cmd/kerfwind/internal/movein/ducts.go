package movein

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"kerfwind/config"
)

// ductChoices are the ways to a duct.
func (s *Session) ductChoices() []string {
	if s.old != nil && len(s.old.Duct) > 0 {
		return []string{"copy", "draw", none}
	}
	return []string{"draw", none}
}

// piece is one straight stretch of duct, as answered.
type piece struct {
	diameter, length, rise float64
	kind                   string
	elbows                 int
	to                     int // number of the main piece that it joins, from 1; 0: not said
}

// pieceExample is a piece of a main in the units that the person reads.
func (s *Session) pieceExample() string {
	if s.get("units") == "metric" {
		return "150 mm, 3.6 m, 2 elbows, spiral"
	}
	return "6 in, 12 ft, 2 elbows, spiral"
}

// joins names the pieces of the main, for a question.
func joins(mains int) string {
	if mains < 2 {
		return "M1"
	}
	return fmt.Sprintf("M1 to M%d", mains)
}

// parsePiece reads a list such as pieceExample: first the diameter, then the
// length, then in any order elbows, kind (smooth if it is not said), rise, and
// M2 for the main piece that it joins.
func (s *Session) parsePiece(text string) (piece, error) {
	p := piece{kind: "smooth"}
	var lengths []float64
	for _, part := range split(text, ",") {
		words := strings.Fields(part)
		n, err := strconv.Atoi(words[0])
		x, notLength := config.Parse(config.Length, part)
		switch {
		case len(words) == 1 && slices.Contains([]string{"smooth", "spiral", "hose"}, part):
			p.kind = part
		case len(words) == 2 && err == nil && (words[1] == "elbow" || words[1] == "elbows"):
			p.elbows = n
		case len(words) == 1 && len(part) > 1 && (part[0] == 'M' || part[0] == 'm'):
			if p.to, err = strconv.Atoi(part[1:]); err != nil {
				return p, fmt.Errorf("%q is not a piece of the main: write M1, M2 and so on", part)
			}
		case words[0] == "rise":
			if p.rise, err = config.Parse(config.Length, strings.TrimPrefix(part, "rise")); err != nil {
				return p, err
			}
		case notLength == nil:
			lengths = append(lengths, x)
		default:
			return p, fmt.Errorf("%q: write diameter, length, elbows and kind, as in %s", part, s.pieceExample())
		}
	}
	if len(lengths) != 2 {
		return p, fmt.Errorf("write the diameter, then the length, as in %s", s.pieceExample())
	}
	p.diameter, p.length = lengths[0], lengths[1]
	switch {
	case p.diameter < 0.02 || p.diameter > 1:
		return p, fmt.Errorf("a diameter of %s: from 20 mm to 1 m", config.Metric.Format(config.Length, p.diameter))
	case p.length > 100 || p.length < 0:
		return p, fmt.Errorf("a length of %s: up to 100 m", config.Metric.Format(config.Length, p.length))
	case p.rise > p.length || p.rise < 0:
		return p, fmt.Errorf("it cannot rise more than its length")
	case p.elbows < 0 || p.elbows > 20:
		return p, fmt.Errorf("up to 20 elbows")
	}
	return p, nil
}

// parsePieces reads the main, from the collector on.
func (s *Session) parsePieces(text string) ([]piece, error) {
	var out []piece
	for _, part := range split(text, ";") {
		p, err := s.parsePiece(part)
		if err != nil {
			return nil, err
		}
		if p.to != 0 {
			return nil, fmt.Errorf("%q: each piece of the main joins the one before it", part)
		}
		out = append(out, p)
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("write at least one piece, as in %s", s.pieceExample())
	}
	return out, nil
}

// parseBranch reads what leads to a gate: of a gate in a main only where it is.
func (s *Session) parseBranch(gateName, text string) (piece, error) {
	mains, err := s.parsePieces(s.get("mains"))
	if err != nil {
		return piece{}, err
	}
	p := piece{to: len(mains)}
	if i := slices.IndexFunc(s.gates(), func(g gate) bool { return g.name == gateName }); i >= 0 && s.gates()[i].kind == "main" {
		n, ok := strings.CutPrefix(strings.ToUpper(text), "M")
		if p.to, err = strconv.Atoi(n); !ok || err != nil || p.to < 1 || p.to > len(mains) {
			return p, fmt.Errorf("in which piece of the main is it? %s", joins(len(mains)))
		}
		for _, g := range s.gates() {
			if g.name == gateName {
				break
			}
			if g.kind == "main" && strings.EqualFold(s.get("piece/"+g.name), text) {
				return p, fmt.Errorf("%s already holds gate %s: put one gate in each piece", text, g.name)
			}
		}
		return p, nil
	}
	if p, err = s.parsePiece(text); err != nil {
		return p, err
	}
	switch {
	case p.to == 0 && len(mains) == 1:
		p.to = 1
	case p.to < 1 || p.to > len(mains):
		return p, fmt.Errorf("say which piece of the main it joins: %s", joins(len(mains)))
	}
	return p, nil
}

// duct makes a duct of a piece.
func (p *piece) duct(name, to string) config.DraftDuct {
	d := config.NewDraftOf[config.DraftDuct]()
	d.Name, d.To, d.Diameter, d.Length, d.Kind, d.Elbows = name, to, p.diameter, p.length, p.kind, p.elbows
	if p.rise > 0 {
		d.Rise = ref(p.rise)
	}
	return d
}

// draftDucts puts the duct into the draft, and where machines and gates are.
func (s *Session) draftDucts(d *config.Draft) {
	gates := s.gates()
	switch s.get("duct") {
	case "copy":
		s.copyDucts(d)
	case "draw":
		mains, err := s.parsePieces(s.get("mains"))
		if err != nil {
			return
		}
		for i := range mains {
			to := "collector"
			if i > 0 {
				to = fmt.Sprintf("M%d", i)
			}
			d.Duct = append(d.Duct, mains[i].duct(fmt.Sprintf("M%d", i+1), to))
		}
		for i, g := range gates {
			p, err := s.parseBranch(g.name, s.get("piece/"+g.name))
			if err != nil {
				continue
			}
			name := fmt.Sprintf("M%d", p.to)
			if g.kind != "main" {
				branch := p.duct(fmt.Sprintf("B%d", i+1), name)
				name = branch.Name
				d.Duct = append(d.Duct, branch)
			}
			d.Gate[i].Duct = ref(name)
			for j := range d.Machine {
				if g.kind == "machine" && d.Machine[j].Name == g.machine {
					d.Machine[j].Hoods = append(d.Machine[j].Hoods, name)
				}
			}
		}
	default:
		for i := range d.Machine {
			m := &d.Machine[i]
			for _, g := range gates {
				if g.machine == m.Name || g.kind == "main" && slices.Contains(split(s.get("serves/"+g.name), ","), m.Name) {
					m.Gates = append(m.Gates, g.name)
				}
			}
		}
	}
}

// copyDucts takes over the old duct: gates sit where those of their names sat.
func (s *Session) copyDucts(d *config.Draft) {
	if s.old == nil {
		return
	}
	d.Duct = slices.Clone(s.old.Duct)
	for i := range d.Gate {
		for _, o := range s.old.Gate {
			if o.Name == d.Gate[i].Name {
				d.Gate[i].Duct = o.Duct
			}
		}
	}
	for i := range d.Machine {
		m := &d.Machine[i]
		if o := s.oldMachine(m.Name); o != nil {
			m.Hoods = o.Hoods
			for _, g := range o.Gates { // those that are there
				if slices.ContainsFunc(d.Gate, func(x config.DraftGate) bool { return x.Name == g }) {
					m.Gates = append(m.Gates, g)
				}
			}
		}
		if len(m.Hoods)+len(m.Gates) > 0 {
			continue
		}
		for _, g := range s.gates() {
			if g.machine == m.Name {
				m.Gates = append(m.Gates, g.name)
			}
		}
	}
}
