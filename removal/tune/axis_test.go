package tune

import (
	"slices"
	"strings"
	"testing"
)

func TestParseAxis(t *testing.T) {
	for text, want := range map[string]Axis{
		"stop.reaction_s=1:4:7":        {"stop.reaction_s", []float64{1, 1.5, 2, 2.5, 3, 3.5, 4}},
		"stop.risk_floor = 1e-4, 1e-3": {"stop.risk_floor", []float64{1e-4, 1e-3}},
		"rule.a=b.for_s=0:0.3:4":       {"rule.a=b.for_s", []float64{0, 0.1, 0.2, 0.3}},
		"x=1:6:4":                      {"x", []float64{1, 2.67, 4.33, 6}},
		"x=1e-4:1e-1:3":                {"x", []float64{1e-4, 0.0501, 0.1}},
		"x=-1:1:3":                     {"x", []float64{-1, 0, 1}},
	} {
		got, err := ParseAxis(text)
		if err != nil || got.Key != want.Key || !slices.Equal(got.Values, want.Values) {
			t.Errorf("%s: got %v, %v, want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "x", "=1,2", "x=", "x=a", "x=1,,2", "x=1,1", "x=1:2", "x=1:2:1", "x=2:1:3", "x=1:1:3", "x=1:2:3:4", "x=1:2:1001", "x=1:2:2.5", "x=NaN,1", "x=1:Inf:3", "x=1:4:"} {
		if got, err := ParseAxis(text); err == nil {
			t.Errorf("%q: accepted as %v", text, got)
		} else if !strings.Contains(err.Error(), "allowed") {
			t.Errorf("%q: %v does not say what is allowed", text, err)
		}
	}
}

func TestGrid(t *testing.T) {
	got, err := Grid([]Axis{{"a", []float64{1, 2}}, {"b", []float64{3, 4, 5}}})
	want := []Setting{{1, 3}, {1, 4}, {1, 5}, {2, 3}, {2, 4}, {2, 5}}
	if err != nil || !slices.EqualFunc(got, want, slices.Equal[Setting]) {
		t.Errorf("got %v, %v, want %v", got, err, want)
	}
	if _, err := Grid([]Axis{{"a", []float64{1}}, {"a", []float64{2}}}); err == nil {
		t.Error("one key twice was accepted")
	}
	many := Axis{Values: make([]float64, 150)}
	first, second := many, many
	first.Key, second.Key = "a", "b"
	if _, err := Grid([]Axis{first, second}); err == nil || !strings.Contains(err.Error(), "20000") {
		t.Errorf("22500 settings: %v", err)
	}
}
