// Package control decides what a workshop's dust collection does: which blast
// gate opens and shuts, when the collector starts and stops. Facts and requests
// go in as values, commands and events come out as values. It is pure: no I/O,
// no goroutine, no clock, no randomness; the same inputs at the same times give
// the same outputs.
//
// # What the caller does
//
//   - Make a Core with New at every start of the program. A Core is not saved
//     and not restored: every start is as after a power cut. What is stored can
//     only forbid: the stand-down (pass Params.StoodDown, also when what was
//     stored cannot be read), what is latched, set aside and left (pass
//     Past.Kept; Unreadable where it cannot be read), and the starts and the last
//     stop of the collector, where they are known.
//   - Store Snapshot.Kept whenever it differs from what is stored: after each Step
//     with events, and before a request that changed it is acknowledged. Latches,
//     gates and machines are numbers there: store names. A name that the shop no
//     longer has is dropped; a latch never is.
//   - Call Step from one goroutine, with times that do not fall, at the instant
//     of every input and at the instant that Next names. The first Step switches
//     all outputs off. Time is an offset from any start.
//   - Carry out the commands first, in order, then show the events to whoever
//     wants them. Step appends to Out: empty it between steps.
//   - Answer every command once with OutputIs: Done when the output has its new
//     state (a gate's travel counts from there), Failed when it cannot be set. No
//     answer within Params.Answer, or the gate's own, counts as Failed. A command that a later one to
//     the same target has overtaken needs no answer. Off is repeated until it is
//     carried out.
//   - Report every sensor, switch and contact when the program starts, and then
//     whenever it changes. What was never reported is unknown: a machine starts
//     nothing, its gates are not shut, a switch confirms nothing, a stop input
//     forbids every start.
//   - Answer Lost, unasked, when an output has reset itself, as when the computer
//     that drives it has started again.
//   - Say with CurrentIs when the current of a running machine falls away and comes
//     back while the verdict still waits. Report a button as it is: a reset or a
//     gate's own button acts when it is let go.
//   - Report a sensor that cannot be trusted as Unknown, an unreadable contact as
//     Broken, switches that cannot be read as ShownUnknown. Nothing is a default.
//   - Write a stand-down to disk after the Step that took it in and before
//     acknowledging it, whatever the origin. It is in effect from that Step on.
//   - Set Input.Origin from the way a request came in, never from what it says.
//   - On the way out, whatever the reason, make the outputs inert without asking
//     a Core: collector off, no motion, gates where they stand.
//   - Params.RunOn and Params.Helper are called within Step: they must be quick
//     and pure, and answer for every set of gates.
//
// Snapshot copies the state for observers. AppendKey is for tests that walk the
// states.
//
// # How it decides
//
// Step notes a fact, or lets a deadline pass, and then decides: it works out
// which gates are wanted, notes which have arrived, and commands the difference
// between what should be and what was commanded last. Deciding looks at the
// state alone, and deciding twice commands nothing twice. The order within one
// decision, and so of commands: gates open, collector, outlets, gates shut.
// Deadlines of one instant pass together before the input of that instant.
//
// Precedence: stop inputs, stand-down and the wait after power-up forbid every
// start and motion (blocked). Then come faults, then demands, then requests.
//
// A machine:
//
//	           running          confirm is over
//	idle ───────────────> starting ───────────> running
//	 ^ ^                   │  │  ^                │  │
//	 │ │  idle, still air  │  │  │ running        │  │
//	 │ └───────────────────┘  │  │                │  │
//	 │        sensor unknown  v  │ sensor unknown │  │
//	 │                        lost <──────────────┘  │
//	 │ its run-on is over      │ idle, or the        │ idle
//	 └───────────── runOn <────┴ hold is over ───────┘
//	                  └─ running ─> starting
//
// A machine that runs may be left: no fan starts and no gate moves for it until it
// has stopped and is started again. So it is when somebody must act before it can be
// served: a stop input, a stand-down, a latch, the switch in off, a full bin that
// blocks, every path shut, a gate that no drive has opened. What he does then starts
// nothing by itself. Each start has a time within which its gates may move, with all
// tries; a machine that is not collected after it is said to be so.
//
// A gate, for each command; "another try" up to Params.Retries, to open only:
//
//	        command          the driver: done           at the end, or time is over
//	still ──────────> ordered ─────────────> travelling ──────────────> still
//	                   │  ^  ^ another try       │
//	                   │  │  └───────────────────┘ not there: GateNotOpen, GateNotShut
//	  failed or silent v  │ after a travel time
//	                  pausing        no try left: GateOutput
//
// The collector:
//
//	       a machine has run for confirm, or a gate is held,
//	       and its path is open; nothing holds it back
//	off ──────────────────────────────────────────────────────> on
//	 ^  no demand, no run-on, nothing owed, a further start left │
//	 ├───────────────────────────────────────────────────────────┤
//	 │  at once: stop input, stand-down, its switch in off,      │
//	 │  every path shown shut; latched: no current, no output,   │
//	 │  every path shut for the third time in an hour            │
//	 └───────────────────────────────────────────────────────────┘
//
// # Rules that the sentences leave to this package
//
//   - What a machine's start takes from the minimum time off is added to the run-on
//     that follows. A hold waits instead.
//   - After a stop or a stand-down is lifted no gate moves until something is started
//     again: a machine, a hold or a test move. A path is still opened for a collector
//     that runs uncommanded, and what has begun to open for it is tried to the end.
//   - A reset lifts latches and nothing else. What a gate has failed is tried again by
//     a new start there.
//   - The start budget is exceeded, and said to be, by one start of a machine after a
//     stop that was forced: by a stop input, a stand-down, the switch in off or a power
//     cut. A fault never widens it: after a stop by a fault the machine waits until a
//     start is left, and is said to be uncollected meanwhile.
//   - A stop input that cannot be read stops all that one that acts does, but is not
//     latched: once it reads closed a new start is served.
//   - The limit leaves one thing that wants air: it does not end the last run-on.
//   - A hold that the collector cannot serve until somebody acts is given up.
//   - A machine with several hoods starts the collector by one whole path, and is
//     collected once all are whole.
//   - A run that ends while no air moves has no run-on: there is nothing to clear. That
//     of a machine that was left has one if its dust was collected all the same.
//   - A switch that is made when a gate is called back on its way may still be made
//     from before: it counts again from the driver's answer, or once that is overdue.
//     For the all-shut rule it counts at once.
//   - While a wanted gate still opens, no other shuts.
//   - "Every path shut" is over when a path is open; where the shop shuts all at
//     rest also when nothing wants one and the air is still.
//   - What somebody pushes by hand is seen and left. A gate whose shut switch is made
//     when it would be homed, and one of the last path that shows open, need no homing:
//     a hand that moves one later at rest moves no drive.
//
// # Where each sentence is held
//
// "walk" is TestWalk, which visits every state of small shops and checks every
// transition (check_test.go and checkrows_test.go, by the numbers below); "scenario" names a script in
// testdata/scenarios, played by control/sim; TestOracle and TestFaults there
// play random shops and faults against a second implementation and a monitor;
// TestOdd there plays odd shops against rules (odd_rules_test.go) that were
// written from the design without a look at this package.
//
//	sentence                                     code                             held by
//	1 on only with a whole path open             Core.wantsStart, isOpen          walk "1:" on; TestFaults mayStart; one-machine
//	1 by switch, by time where there is none     Core.isOpen                      walk confirmed, "1:" gateStep; TestOracle; switches
//	1 confirmation lost is a fault, not a stop   Core.settleGates                 walk "1:" gateStep; confirmation-lost
//	2 path of every demand commanded open        Core.wants, openGates            walk "2:" state; TestOracle; two-hoods
//	2 no gate of a running or unknown machine    Core.wants (busy), shutGates     walk "2:" gateShut; TestFaults; sensor-lost-while-running
//	2 limit: helpers, holds, run-ons, weak air   Core.wants, dropOne              walk "2:"; air-is-short, helper-gate
//	2 refusing only by the owner's option        Core.outranked                   walk "2:" runStep; refuse
//	3 own run-on after each stop                 Core.endRun, wanted              walk "3:"; TestOracle; two-machines
//	3 collector for the longest run-on           Core.needed                      walk "3:" off; TestOracle offAllowed
//	4 new path opens before an old one closes    Core.shutGates, opening          walk "4:" gateShut; new-path-first
//	4 last path stays open; close_at_rest        Core.chooseRest                  walk "4:", rest_test.go; close-at-rest
//	5 stopped only with a start left             Core.needed, startsLeft          walk "5:" off; TestOracle; start-budget
//	5 minimum-off prolongs, never delays         Core.stay, switchOn, holdsBack   walk "5:"; TestOracle; minimum-off
//	5 also over a restart, where it is known     collector.remember, Past         past_test.go
//	5 beyond the budget: reported                Core.switchOn                    budget-exceeded
//	11 a fault never widens the budget           Core.holdsBack, collector.faulted walk "5:" on; budget-after-a-fault; TestOdd
//	6 stand-down within one step                 Core.halt                        walk "6:" standDown; TestFaults; stand-down
//	6 lifted at the shop only                    Core.ask, standDownIs            walk "6:"; stand-down, stand-down-switch
//	6 lifting starts nothing                     Core.leaveBarred, quiet          walk "6:"; TestFaults; stop-input
//	6 unreadable = stood down; stored state      New, Params.StoodDown            walk wired stand-down; stand-down-switch
//	7 each fault to its row and an event         Core.raise                       walk "7:" faultEvents
//	7 no fault stops others from being served    Core.wantsStart                  walk "5:" startsAtOnce; TestFaults atRest; gate-sticks
//	8 requests can do nothing forbidden          Core.ask, hold, testMove         walk "8:"; hold, test-moves
//	8 a test move only at rest                   Core.testMove, decide            walk "8:"; TestTestMoveEndsWhileAirMoves
//	9 ends with all off                          the caller; sim.Plant.Halt       the caller's tests
//	sensor lost while running                    Core.machineIs (lost)            walk runStep; sensor-lost-while-running, sensor-back
//	sensor lost at rest, or at power-up          Core.machineIs, busy             walk runStep; sensor-lost-at-rest
//	all sensing lost                             Core.allUnknown                  walk runStep; all-sensing-lost
//	gate not confirmed open                      Core.arrived, wake               walk gateStep, startsAtOnce; gate-sticks, dead-bus
//	confirmation lost while collecting           Core.settleGates, allShut        walk gateStep, collectorStep; every-path-shut, every-path-shut-at-rest
//	gate will not close                          Core.arrived                     walk gateStep; gate-will-not-close
//	commanded on, no current                     Core.checkFeedback, fail         walk collectorStep; no-current
//	commanded off, current persists              Core.checkFeedback, spare        walk state; welded-contactor
//	stop input                                   Core.stopIs, liftLatches         walk standDown; stop-input
//	14 one that cannot be read: off, no latch    Core.stopIs, stopped             walk standDown; stop-unread
//	bin level                                    Core.binIs, bar                  walk on, collectorStep; TestBinLevel; bin-level
//	over the rating to zero                      Core.breakerCheck                TestBreaker; breaker
//	power returns                                New, begin, home                 walk run, runStep, gateShut; power-returns
//	an output resets itself: as at power-up      Core.outputLost, gateRestarted   walk gateStep, collectorStep; TestOutputLost
//	each row: raised, held, lifted               facts                            TestFaultTable; the words: timeline TestEveryNameHasWords
//	10 nobody cuts uncollected unsaid            Core.lacks, sayUncollected       walk "10:"; TestFaultTable; TestMoveIn
//	11 what the switches show; the third stop    Core.isDead, shutOut             walk collectorStep; TestShownShutCounts, TestFaultTable
//	12 a new start commands all again             Core.wake, openGates             walk "12:"; TestNewStartCommandsAnew
//	13 hands start nothing; left                 Core.leaveBarred, watchArrivals  walk "13:"; TestHandsStartNothing, TestHandsMoveNothing, TestPassingOff
//	14 latches and asides hold over a restart    Kept, setAside, takeBack, button walk "14:", stored; TestKeptOverARestart, TestFaultTable
//	15 never too old; a hold has one beginning   Core.ask, hold                   TestNeverTooOld
//	16 still on after the first off              Core.switchOff, checkFeedback    TestStillOnAfterTheFirstOff
//	17, 21 lost is heard; homed after a wait     Core.gateRestarted, home         TestLostIsHeard
//	18 open switch only: never shown shut        Core.isDead, missing             walk shownShut; TestShownShutCounts
//	19 the limit is said with the stop           Core.endRun, endHold             TestLimitIsSaidWithTheStop; air-is-short
//	20 confirm counts the current                Core.currentIs                   TestConfirmCountsTheCurrent; loop TestBurstStartsNoMotor
//	lamps and horns                              Core.runLamps                    walk indicators
//	hand/off/auto                                Core.switchIs, spare             walk state; hand-switch
//	inrush held back                             Core.holdsBack                   walk on, runStep; inrush
//	outlets                                      Core.runOutlets                  walk step; outlet
//	shop closed                                  Core.shopIs, home, testMove      walk gateShut, requests; shop-closed
package control
