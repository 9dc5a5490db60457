package tui

import (
	"fmt"
	"math"
	"strconv"

	"bluefringe/removal"
)

// none stands where a number does not exist.
const none = "–"

// shown tells whether a number can be shown in a few digits.
func shown(v float64) bool { return finite(v) && math.Abs(v) < 1e6 }

// thicknessDecimals returns how many decimals a thickness in µm is given: four
// digits in all.
func thicknessDecimals(um float64) int {
	switch v := math.Abs(um); {
	case v >= 99.995:
		return 1
	case v >= 9.9995:
		return 2
	}
	return 3
}

// thickness formats a thickness in µm without its unit.
func thickness(um float64) string {
	if !shown(um) {
		return none
	}
	return strconv.FormatFloat(um, 'f', thicknessDecimals(um), 64)
}

// plusMinus formats a standard uncertainty with the decimals of its value:
// "±0.004". Empty when it does not exist.
func plusMinus(sd float64, decimals int) string {
	if !shown(sd) || sd < 0 {
		return ""
	}
	if unit := math.Pow(10, -float64(decimals)); sd < unit/2 {
		return "±<" + strconv.FormatFloat(unit, 'f', decimals, 64)
	}
	return "±" + strconv.FormatFloat(sd, 'f', decimals, 64)
}

// measure formats a value with its standard uncertainty and unit.
func measure(v, sd float64, decimals int, unit string) string {
	if !shown(v) {
		return none
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if pm := plusMinus(sd, decimals); pm != "" {
		s += " " + pm
	}
	return s + " " + unit
}

// rate formats a removal rate.
func rate(umMin, sd float64) string {
	decimals := 2
	switch v := math.Abs(umMin); {
	case v >= 99.5:
		decimals = 0
	case v >= 9.95:
		decimals = 1
	case v < 0.0995:
		decimals = 3
	}
	return measure(umMin, sd, decimals, "µm/min")
}

// seconds formats a duration so that a glance is enough.
func seconds(s float64) string {
	switch {
	case !finite(s) || s > 360000:
		return none
	case s < 99.95:
		return fmt.Sprintf("%.1f s", max(s, 0))
	case s < 3600:
		m := int(math.Round(s))
		return fmt.Sprintf("%d min %02d s", m/60, m%60)
	}
	m := int(math.Round(s / 60))
	return fmt.Sprintf("%d h %02d min", m/60, m%60)
}

// interval formats a time left: the middle of it, and 5 to 95 % in brackets.
func interval(t removal.Interval) string {
	switch {
	case finite(t.P50S) && finite(t.P05S) && finite(t.P95S) && t.P95S < 99.95:
		return fmt.Sprintf("%.1f s (%.1f–%.1f)", max(t.P50S, 0), max(t.P05S, 0), max(t.P95S, 0))
	case finite(t.P50S) && finite(t.P05S) && finite(t.P95S) && t.P95S < 3600:
		return fmt.Sprintf("%s (%s–%s)", seconds(t.P50S), minutes(t.P05S), minutes(t.P95S))
	case finite(t.P50S) && finite(t.P05S) && finite(t.P95S) && t.P95S < 360000:
		return fmt.Sprintf("%.1f h (%.1f–%.1f)", t.P50S/3600, max(t.P05S, 0)/3600, t.P95S/3600)
	case finite(t.P50S) && finite(t.P05S):
		return fmt.Sprintf("%s (from %s)", seconds(t.P50S), seconds(t.P05S))
	case finite(t.P50S):
		return seconds(t.P50S)
	case finite(t.P05S):
		return "over " + seconds(t.P05S)
	}
	return none
}

// minutes formats seconds as "3:05".
func minutes(s float64) string {
	n := int(math.Round(max(s, 0)))
	return fmt.Sprintf("%d:%02d", n/60, n%60)
}

// stretch formats a time that must not be exceeded: rounded down.
func stretch(s float64) string {
	switch {
	case !finite(s) || s > 360000:
		return none
	case s < 10:
		return fmt.Sprintf("%.1f s", math.Floor(max(s, 0)*10+1e-9)/10)
	case s < 120:
		return fmt.Sprintf("%d s", int(s))
	}
	return fmt.Sprintf("%d min %02d s", int(s)/60, int(s)%60)
}

// RunTime formats a time of the run as the screen writes it.
func RunTime(s float64) string { return runTime(s) }

// runTime formats a time of the run as a clock: "06:52", "1:06:52".
func runTime(s float64) string {
	if !finite(s) || math.Abs(s) > 3.6e8 {
		return "--:--"
	}
	sign := ""
	if s < 0 {
		sign, s = "-", -s
	}
	n := int(s)
	if n >= 3600 {
		return fmt.Sprintf("%s%d:%02d:%02d", sign, n/3600, n/60%60, n%60)
	}
	return fmt.Sprintf("%s%02d:%02d", sign, n/60, n%60)
}

// nanometres formats a wavelength or a spread.
func nanometres(nm float64) string {
	if !shown(nm) {
		return none
	}
	return fixed(nm, 0) + " nm"
}

// minus returns an interval counted from elapsedS later.
func minus(t removal.Interval, elapsedS float64) removal.Interval {
	return removal.Interval{
		P05S: math.Max(t.P05S-elapsedS, 0),
		P50S: math.Max(t.P50S-elapsedS, 0),
		P95S: math.Max(t.P95S-elapsedS, 0),
	}
}
