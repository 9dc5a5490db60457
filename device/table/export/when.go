package export

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"
)

var momentPattern = regexp.MustCompile(`(\d{4})[-/.](\d\d)[-/.](\d\d)(?:[T ,;]+|\s*$)(?:(\d\d):(\d\d)(?::(\d\d)(?:[.,](\d{1,9}))?)?)?\s*(Z|[+-]\d\d:?\d\d)?`)

// Moment finds a moment written year first ("2026-03-02T08:00:00.5+01:00",
// "2026/03/02 08:00:00"). Dates in another order mean two days in two countries and are
// not read.
func Moment(text string) (time.Time, bool) {
	m := momentPattern.FindStringSubmatch(text)
	if m == nil || m[4] == "" {
		return time.Time{}, false
	}
	whole := m[1] + "-" + m[2] + "-" + m[3] + "T" + m[4] + ":" + m[5] + ":" + orZero(m[6])
	if m[7] != "" {
		whole += "." + m[7]
	}
	zone := m[8]
	if zone == "" {
		zone = "Z"
	}
	if len(zone) == len("+0100") {
		zone = zone[:3] + ":" + zone[3:]
	}
	t, err := time.Parse(time.RFC3339Nano, whole+zone)
	return t, err == nil
}

func orZero(digits string) string {
	if digits == "" {
		return "00"
	}
	return digits
}

var clockPattern = regexp.MustCompile(`^(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,:](\d{1,9}))?)?$`)

// clock reads a time of day, or a duration, as seconds.
func clock(text string) (float64, bool) {
	m := clockPattern.FindStringSubmatch(strings.TrimSpace(text))
	if m == nil {
		return 0, false
	}
	h, _ := strconv.Atoi(m[1])
	min, _ := strconv.Atoi(m[2])
	s, _ := strconv.ParseFloat("0"+m[3]+"."+orZero(m[4]), 64)
	return float64(h*3600+min*60) + s, true
}

var (
	timeHead = regexp.MustCompile(`(^|[^\pL])(time|zeit|timestamp|elapsed|t|date|datetime|clock|uhrzeit)($|[^\pL])`)
	dateHead = regexp.MustCompile(`date|stamp|clock|uhr`) // numbers under it count days, or since 1970
	timeUnit = regexp.MustCompile(`[(\[/_ ]\s*(ms|msec|milliseconds?|s|sec|secs|seconds?|min|mins|minutes?|h|hr|hours?)\s*[)\]]?\s*$`)
)

// secondsPer reads the unit of a time; ok is false when there is none.
func secondsPer(head string) (float64, bool) {
	m := timeUnit.FindStringSubmatch(strings.ToLower(head))
	if m == nil {
		return 1, false
	}
	switch u := m[1]; {
	case strings.HasPrefix(u, "ms") || strings.HasPrefix(u, "milli"):
		return 1e-3, true
	case strings.HasPrefix(u, "min"):
		return 60, true
	case strings.HasPrefix(u, "h"):
		return 3600, true
	}
	return 1, true
}

// Times gives spectra the times of a column: cells under head, one a spectrum. They count
// seconds, or what the head says, or are clock times or moments. It reports whether all
// cells could be read.
func Times(series []Raw, head string, cells []string, values []float64) bool {
	if len(cells) != len(series) || !timeHead.MatchString(strings.ToLower(head)) {
		return false
	}
	unit, _ := secondsPer(head)
	const day = 24 * 3600
	shift, before := 0.0, math.Inf(-1)
	out := make([]Raw, len(series))
	for i, cell := range cells {
		out[i] = series[i]
		if when, ok := Moment(cell); ok {
			out[i].When = when
			continue
		}
		if s, ok := clock(cell); ok {
			if s+shift < before { // midnight
				shift += day
			}
			before = s + shift
			out[i].TimeS, out[i].Timed = before, true
			continue
		}
		if math.IsNaN(values[i]) || dateHead.MatchString(strings.ToLower(head)) {
			return false
		}
		out[i].TimeS, out[i].Timed = values[i]*unit, true
	}
	copy(series, out)
	return true
}
