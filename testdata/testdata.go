// Package testdata holds the demo's files, so that the program carries them.
package testdata

import "embed"

// Demo is the demo: rig, shop, the recording of a morning, the faults of the
// simulated plant, and the timeline that is expected of them. All is invented.
//
//go:embed demo
var Demo embed.FS
