package replay

import (
	"errors"
	"fmt"
	"io"
	"os"

	"kerfwind/cmd/kerfwind/internal/state"
	"kerfwind/config"
	"kerfwind/sensor/trace"
)

// Files name what to replay; "" is none.
type Files struct {
	Recordings []string // laid end to end
	Rig, Shop  string
	State      string // folder whose learned levels are used
	Plant      string // faults of the simulated gates and collector
}

// Load reads the files into o and reports every error in them at once. Close
// closes what was opened, also after an error.
func (f *Files) Load(o *Options, opt trace.Options) (closed func(), err error) {
	var open []io.Closer
	closed = func() {
		for _, c := range open {
			_ = c.Close() // only read
		}
	}
	var errs []error
	if f.Rig != "" {
		if o.Rig, err = config.LoadRig(f.Rig); err != nil {
			errs = append(errs, err)
		} else if f.Shop != "" {
			o.Shop, err = config.LoadShop(f.Shop, o.Rig)
			errs = append(errs, err)
		}
	}
	if f.State != "" && errors.Join(errs...) == nil {
		learned, err := state.ReadLearned(f.State)
		if err == nil {
			if o.Shop == nil {
				o.Shop = config.StandIn(o.Rig, o.StandIn)
			}
			o.Shop.Learn(learned)
		}
		errs = append(errs, err)
	}
	if f.Plant != "" {
		file, err := os.Open(f.Plant)
		if err == nil {
			o.Plant, o.PlantName = file, f.Plant
			open = append(open, file)
		}
		errs = append(errs, err)
	}
	if o.Trace, err = trace.Open(f.Recordings, opt); err == nil {
		open = append(open, o.Trace)
	}
	return closed, errors.Join(append(errs, err)...)
}

// ParseStandIn reads the levels and the mains of a shop that nobody has described, as
// the flags give them; "" is none.
func ParseStandIn(start, stop, hold, mains string) (o config.StandInOptions, err error) {
	var errs []error
	quantity := func(flag, text string, q config.Quantity, into *float64) {
		if text == "" {
			return
		}
		v, err := config.Parse(q, text)
		if err == nil && v <= 0 {
			err = errors.New("must be more than 0")
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("--%s %q: %w", flag, text, err))
		}
		*into = v
	}
	quantity("start", start, config.Current, &o.Start)
	quantity("stop", stop, config.Current, &o.Stop)
	quantity("mains", mains, config.Frequency, &o.Mains)
	if hold != "" {
		d, err := config.ParseDuration(hold)
		if err != nil {
			errs = append(errs, fmt.Errorf("--stop-hold %q: %w", hold, err))
		}
		if err == nil && d < 0 {
			errs = append(errs, fmt.Errorf("--stop-hold %q: must not be negative", hold))
		}
		o.StopHold = d
		if d == 0 {
			o.StopHold = -1 // none
		}
	}
	return o, errors.Join(errs...)
}
