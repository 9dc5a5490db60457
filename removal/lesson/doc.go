// Package lesson is the pure side of training on a simulated die: what a trainee may do
// at the machine (Action, Hand), what an operator would do who follows the advice
// (Follower), and what there is to say afterwards (Debrief) from values alone: what was
// said and what was true at every moment.
//
// There is no clock, no file and no simulator here. Thickness is in micrometres, time in
// seconds from the start of the run, rates in µm/min. How long a hand takes, what passes
// and how points are given is common practice, no source.
package lesson
