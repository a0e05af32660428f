// Package config reads rig and shop files: what travels with its owner, and
// what belongs to one address.
//
// A rig file names converters, channels (current transformers), contacts and
// actuators. A shop file says what they stand for at its address: machines,
// gates, ducts, circuits, collector, outlets, limits. Both are TOML with
// format = 1. Quantities are texts with a unit, in either system of units;
// inside everything is SI.
//
// Reading is strict. An unknown key, a value that does not fit, a name that
// nothing has, a loop in the duct: each is a Problem with file, line, column,
// message and remedy, and all of them are returned at once as Errors. What may
// be right but is doubtful, and what a rig cannot know, is in Warnings. A
// default never hides: Defaults lists each one in force, and Describe prints it.
//
// A Shop turns itself into what the other packages take: Control for the state
// machine, Sensor for the detectors, Duct for the airflow solver, Channels and
// Contacts for the wiring between them. All use the same numbers: machine i is
// entry i of Shop.Machines, and so on.
//
// Nothing here writes a file of the owner, reads a clock or knows hardware.
package config
