package panel

import (
	"kerfwind/control"
)

// nowPart says what runs, what is open and what is wrong.
var nowPart = Part{Path: "/", Title: "Now", Role: Look, File: "now.html", Data: now,
	Routes: []Route{
		{Method: "POST", Path: "/stand-down", Role: Operate, Do: standDown},
	}}

// nowMain is what its template shows.
type nowMain struct{ Machines, Gates []nowThing }

type nowThing struct{ Name, State, Why string }

func now(v *Visit) (any, error) {
	var m nowMain
	snap := v.Shop.Snapshot()
	if snap == nil {
		return m, nil
	}
	for i := range snap.Machines {
		x := &snap.Machines[i]
		m.Machines = append(m.Machines, nowThing{v.Shop.Names.Name(control.AMachine, control.ID(i)), x.Sensed.String(), v.Shop.Names.Reason(x.Why)})
	}
	for i := range snap.Gates {
		x := &snap.Gates[i]
		m.Gates = append(m.Gates, nowThing{v.Shop.Names.Name(control.AGate, control.ID(i)), x.Position.String(), v.Shop.Names.Reason(x.Why)})
	}
	return m, nil
}

func standDown(v *Visit) error {
	if err := v.Shop.Ask(v.R.Context(), control.Input{Kind: control.Ask, State: uint8(control.AskStandDown), ID: control.NoID}); err != nil {
		return err
	}
	v.Said("Stood down. Not a lockout. Unplug or lock the disconnect before you reach in. Machines are not stopped.")
	return nil
}
