package daemon

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/pelletier/go-toml/v2"

	"kerfwind/cmd/kerfwind/internal/state"
)

// activeFile names the shop that was chosen.
const activeFile = "active"

// active is that file.
type active struct {
	Format int    `toml:"format"`
	Shop   string `toml:"shop"` // a file; a relative name counts from the state folder
}

// Choice is the shop file that is to be in force, and who says so.
type Choice struct {
	File   string // "" is none: each channel a machine, each gate actuator a gate
	Chosen bool   // by SetActiveShop, which goes before the owner's default
}

// Why says in words who wants this shop.
func (c Choice) Why() string {
	switch {
	case c.Chosen:
		return `chosen by "kerfwind use" or at move-in`
	case c.File == "":
		return "neither --shop names one nor was one chosen"
	default:
		return "the default that --shop names: no other was chosen"
	}
}

// String is the file and who wants it.
func (c Choice) String() string {
	if c.File == "" {
		return "no shop file (" + c.Why() + ")"
	}
	return c.File + " (" + c.Why() + ")"
}

// Choose says which shop is to be in force: the one that was chosen last and,
// where none was, the owner's default, "" for none.
func Choose(folder, byDefault string) (Choice, error) {
	file, err := ActiveShop(folder)
	if err != nil {
		return Choice{}, err
	}
	if file != "" {
		return Choice{file, true}, nil
	}
	return Choice{File: byDefault}, nil
}

// ActiveShop is the file of the shop that was chosen last, or "" where none
// was.
func ActiveShop(folder string) (string, error) {
	b, err := state.Read(folder, activeFile)
	if errors.Is(err, os.ErrNotExist) {
		return "", nil
	}
	var a active
	if err == nil {
		err = toml.Unmarshal(b, &a)
	}
	switch {
	case err != nil:
	case a.Format != 1:
		err = fmt.Errorf("format is %d, this program knows 1", a.Format)
	case a.Shop == "":
		err = errors.New("it names no shop")
	}
	if err != nil {
		return "", fmt.Errorf(`%s: %w: choose a shop by "kerfwind use FILE", or the one that --shop names by "kerfwind use --default"`,
			filepath.Join(folder, activeFile), err)
	}
	return in(folder, a.Shop), nil
}

// SetActiveShop chooses the shop of the next start or reload; "" leaves it to
// the owner's default again. It returns once that would outlast a power cut.
// Where a daemon runs, ask it by Adopt.
func SetActiveShop(folder, shop string) error {
	if shop == "" {
		return state.Remove(folder, activeFile)
	}
	// So that a backup of the folder may be unpacked elsewhere.
	if abs, err := filepath.Abs(folder); err == nil && filepath.IsAbs(shop) {
		if rel, err := filepath.Rel(abs, shop); err == nil && filepath.IsLocal(rel) {
			shop = rel
		}
	}
	b, err := toml.Marshal(active{1, shop})
	if err != nil {
		return err
	}
	return state.Write(folder, activeFile, b)
}

// benchFile marks, in the state folder, that somebody has a bench. Earlier versions
// named it as the shop in force.
const benchFile = "movein.toml"

// mark notes whether somebody has a bench, for a start after the program was killed.
func (d *Daemon) mark(bench bool) {
	err := state.Remove(d.o.State, benchFile)
	if bench {
		err = state.Write(d.o.State, benchFile, []byte("# A move-in looks at the rig. The next start takes up the shop before.\nformat = 1\n"))
	}
	if err != nil {
		d.o.Notice(err)
	}
}

// unname stores the shop before where an earlier version of the program has left the
// bench as the shop in force.
func (d *Daemon) unname(before Choice) {
	d.files.Lock()
	defer d.files.Unlock()
	c, err := Choose(d.o.State, "")
	if err != nil || c.File != in(d.o.State, benchFile) {
		return // it has been reported
	}
	file := ""
	if before.Chosen {
		file = before.File
	}
	if err := SetActiveShop(d.o.State, file); err != nil {
		d.o.Notice(err)
	}
}

// First is the shop to begin with, and whether the program ended in the middle of a
// move-in: then nobody looks at the rig any more, and it is the shop before.
func First(folder, byDefault string) (c Choice, left bool, err error) {
	if c, err = Choose(folder, byDefault); err != nil {
		return c, false, err
	}
	if c.Chosen && c.File == in(folder, benchFile) {
		return before(folder, byDefault), true, nil
	}
	_, err = os.Stat(in(folder, benchFile))
	return c, err == nil, nil
}

// before is the shop before a move-in that an earlier version of the program has left.
func before(folder, byDefault string) Choice {
	var kept struct {
		File   string `json:"old_file"`
		Chosen bool   `json:"old_chosen"`
	}
	data, err := state.Read(folder, "movein.json")
	if err != nil || json.Unmarshal(data, &kept) != nil || !kept.Chosen {
		return Choice{File: byDefault}
	}
	return Choice{kept.File, true}
}
