// Package trial plays invented runs, from the first look at a die to the pad off it
// for good, to find out how well a way of deciding when to stop does.
//
// A Case is one run with all that is hidden from the operator: the true shape of the
// die, the true removal rate and how it drifts, what the instrument gets wrong and
// when nothing can be seen. Draw makes one from a seed and a number. An Adviser says
// when to stop: the engine of package guide is one, a clock on the wall another. Play
// lets an Operator work on the die of a case and do what an adviser says, and returns
// where it landed. Score and Summarise make figures of many landings.
//
//	c := trial.Draw(1, 412)
//	l, err := trial.Play(c, trial.Engine("engine", nil), nil)
//	fmt.Println(l.MissUM()) // thinnest place of the die, less the target
//
// There is no optics here: readings come with errors as large as the budget of
// package estimate says and as often wrong or flagged as its study found. The same
// case and the same adviser give the same landing, bit for bit; what happens in a
// case does not depend on the adviser, but for how long the pad is on the die.
//
// Thickness is in micrometres, time in seconds, rates in µm/min, places in mm from
// the middle of the die. All ranges from which cases are drawn are common practice,
// no source.
package trial
