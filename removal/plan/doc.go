// Package plan lays out the steps from the start thickness of a die to its target:
// where each grind or polish must stop so that the next removes the damage it left,
// how long it takes, and how often to look so that nothing is passed by.
//
// It is arithmetic on values that are given: no file, no clock. Thickness, damage and
// abrasive size are in µm, removal rates in µm/min, times in s; a number that is not
// known is NaN.
package plan
