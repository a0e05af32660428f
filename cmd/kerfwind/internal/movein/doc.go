// Package movein leads through the matching of a rig to a new shop. It is a
// pure session: answers, readings, what became of test moves, and the time go
// in; the question to show and requests to carry out come out. A terminal and
// the page show the same questions. A lesson, in which one machine is learned, is
// such a session too: leave it off, switch it on, let it run, switch it off, say
// when it is still. A move-in has it as a step.
//
// The session is a list of steps, made again from the answers so far. An answer
// is kept by its step, so that going back loses none; an answer that no longer
// fits is asked for again. Encode writes it all, Restore reads it back: what a
// step has seen and nobody has answered yet is not in it and is looked at again.
//
// Every question has a revision. An answer to another revision is refused with
// ErrStale, so that two people at once never answer a question that they do not
// see.
package movein
