package ductview

import (
	"errors"
	"fmt"

	"kerfwind/config"
)

// Load reads a shop file and makes ready to solve its ducts. The rig file, where one
// is named, says what does not fit: the air does not depend on it, so that is a
// warning.
func Load(shopFile, rigFile string) (*Study, []config.Problem, error) {
	shop, err := config.LoadPlan(shopFile)
	if err != nil {
		return nil, nil, fmt.Errorf("cannot use this file:\n%w", err)
	}
	warnings := shop.Warnings
	if rigFile != "" {
		rig, err := config.LoadRig(rigFile)
		if err != nil {
			return nil, nil, fmt.Errorf("cannot use this file:\n%w", err)
		}
		var misfits config.Errors
		if _, err := config.LoadShop(shopFile, rig); errors.As(err, &misfits) {
			warnings = append(warnings, misfits...)
		}
	}
	n := shop.Duct()
	if n == nil {
		return nil, warnings, fmt.Errorf("%s: nothing to compute: it lists no ducts, or says nothing of the collector's fan\n"+
			"    add duct = [...] and, in [collector], fan = [...], or free_flow and shut_off from its plate, or power", shopFile)
	}
	s, err := New(shop.Name, shop.Units, n)
	return s, warnings, err
}
