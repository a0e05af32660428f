// Package duct computes how the air moves in the duct of a small shop: a tree
// of pipes from the hoods to one collector. For any set of open gates it finds
// the operating point, says where chips settle, and derives from that how long
// the collector must run on after a machine has stopped.
//
// The package has no input or output, no goroutine and no clock. All figures
// are SI: metres, cubic metres a second, pascals, kilograms.
//
// # The model
//
// The nodes of the tree carry total pressure P, relative to the room, so it is
// negative upstream of the fan. A segment with flow Q loses
//
//	(f·L/D + ΣK)·ρ·V²/2,  V = Q/A
//
// of total pressure (Darcy-Weisbach). f is Colebrook's friction factor; K
// counts the hood's entry, elbows, the branch's entry at a wye, the gate, and
// the sudden expansion where a segment ends in a wider one. K does not depend
// on how the flow divides at a wye: factors that do can be negative, and then
// opening one gate could help another hood on paper. The air is taken as
// incompressible; 3 kPa is 3 % of the atmosphere.
//
// The fan lifts by a falling curve p(Q), a cloth filter takes a·Q (laminar flow
// through cloth) and b·Q², a separator b·Q². With falling fan curves and rising
// losses there is exactly one operating point.
//
// # The solution
//
// With the friction factors frozen each segment obeys Δp = R·Q². Then the tree
// reduces exactly: series R add, parallel 1/√R add. What is left is one
// quadratic for each piece of the fan curve. The flows are split back, the
// friction factors renewed, and so on until nothing moves. At the end the
// pressure at every hood is recomputed from the fan inlet with fresh friction
// factors; it must be the room's. State.Converged says whether it was.
//
// # What is not known
//
// A guess is an Estimate with a range. An Ensemble solves the network 300 times
// with other values of every guess; what is said of the air is then a middle, a
// range that holds it in eight cases of ten, and odds.
//
// # The limits
//
// What is said here is about transport and flow. It says nothing about what
// anybody breathes.
package duct
