// Package advice turns what is known about the die into one of four words for
// the operator: continue, prepare, blind, stop.
//
// # Built-in rules, always on
//
//   - target: stop when, after the reaction time and half the usual time to the
//     next decision, some site is expected at or below the target; prepare when
//     that is at most PrepareS away.
//   - floor: stop when the probability that some site is at or below the floor
//     by then exceeds RiskFloor; prepare when it will within PrepareS.
//   - sight: blind when the pad has removed for too long without a trustworthy
//     spectrum of the thinnest site: a quarter of the 5 % point of the time to
//     target (or to the floor when there is no target) as it stood at the last
//     one, at least 3 s and three visits of a site, at most 30 s (common practice,
//     no source). The blind forecast runs on, so target or floor turn blind into
//     stop.
//   - witness: blind when phase and absorption, or two channels, have disagreed at a
//     site for 3 s.
//
// # Rules of the user
//
// A condition is an expression over numbers and truth values, for example
//
//	edge_nm < 470 && thickness_um < 2.2
//
// with the names thickness_um, thickness_low_um, sd_um, rate_um_min,
// to_target_s, edge_nm, since_good_s, visibility_<nm> for the site of the step,
// the same behind "thinnest." for the thinnest site, and contact. Allowed are
// numbers, true, false, + - * /, comparisons, && || ! (or and, or, not),
// parentheses and abs(x). Names and types are checked when the rule is loaded.
//
// A comparison with an unknown value (NaN) is never true, and neither is its
// negation: !(edge_nm < 470) means edge_nm >= 470, false while the edge is
// unknown. So ignorance alone never fires a rule; sight is there for ignorance.
//
// A condition counts per site and must hold for ForS seconds of data time.
//
// # Latch and hysteresis
//
// The strongest advice wins and rises at once. Stop stays until the pad is lifted
// or Acknowledge is called; any other advice falls only when a weaker one has
// held for 3 s of data time. The package reads no clock.
package advice
