package daemon

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/pelletier/go-toml/v2"

	"kerfwind/cmd/kerfwind/internal/state"
)

// activeFile names the shop that is in use.
const activeFile = "active"

// active is that file.
type active struct {
	Format int    `toml:"format"`
	Shop   string `toml:"shop"` // a file; a relative name counts from the state folder
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
	path := filepath.Join(folder, activeFile)
	if err != nil {
		return "", fmt.Errorf("%s: %w: choose a shop with --shop, or take the file away to run without one", path, err)
	}
	if !filepath.IsAbs(a.Shop) {
		return filepath.Join(folder, a.Shop), nil
	}
	return a.Shop, nil
}

// SetActiveShop chooses the shop of the next start or reload. It returns once
// that would outlast a power cut.
func SetActiveShop(folder, shop string) error {
	b, err := toml.Marshal(active{1, shop})
	if err != nil {
		return err
	}
	return state.Write(folder, activeFile, b)
}
