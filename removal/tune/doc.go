// Package tune finds out which settings of the stop rules would have done best on runs
// that are over, and how sure that is.
//
// # Open loop
//
// In a recorded run the silicon went as it went. A setting only changes what is said: the
// readings that were taken are played through the adviser again, its advice gives the
// time of the stop, and the run would have landed where the silicon was one reaction time
// of the operator later. Of a stop that the recorded run did not live to see nothing is
// known: it counts as not reached, unless extrapolation is asked for.
//
// Who hears the advice does what the operator of package trial does. Stop, with the die
// in sight, ends the run a reaction time later; stop without sight, and blind, make him
// lift to look; stop at the end of a look, before the pad comes down again, ends the run
// there. The looks of the record stay as they were: those that a setting asks for besides
// count as time lost.
//
// # Honest figures
//
// A setting is judged by its mean cost over the runs (Weights). Runs are resampled with
// replacement (B. Efron and R. Tibshirani, An Introduction to the Bootstrap, 1993, chapter
// 13: percentile intervals) to tell how far the cost, the difference to the set-up's own
// setting and the choice itself could be luck. The best of many looks better than it is;
// runs that were held back tell the truth about it.
//
// Everything is a function of its arguments: no files, no clock, and the same answer
// whatever the number of cores.
package tune
