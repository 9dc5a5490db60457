package lesson

import (
	"reflect"
	"strings"
	"testing"
)

func TestParseScript(t *testing.T) {
	got, err := ParseScript("# a remark\n\n12.5 lift\r\n12.5 look # wipe\n 19\tpolish\n30.0004 reference\n40 force 0.8\n55 stop")
	want := []Action{{12.5, Lift, 0}, {12.5, Wipe, 0}, {19, Polish, 0}, {30, Reference, 0}, {40, Force, 0.8}, {55, Stop, 0}}
	if err != nil || !reflect.DeepEqual(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	var lines []string
	for _, a := range want {
		lines = append(lines, a.String())
	}
	again, err := ParseScript(strings.Join(lines, "\n"))
	if err != nil || !reflect.DeepEqual(again, want) {
		t.Errorf("written and read again: %v, %v", again, err)
	}
}

func TestParseScriptRefuses(t *testing.T) {
	for text, want := range map[string]string{
		"1 lift\n\nx stop":                       `line 3: found "x": a time above 0`,
		"-1 lift":                                `line 1: found "-1"`,
		"NaN lift":                               `line 1: found "NaN"`,
		"5":                                      "line 1: found a time alone: one of lift, look, reference, polish, force, stop must follow",
		"5 lfit":                                 `line 1: found "lfit": one of lift,`,
		"5 stop\n6 lift":                         "line 2: found lift after stop",
		"5 lift now":                             `line 1: found "now" after lift`,
		"5 force":                                "line 1: found 0 words after force",
		"5 force much":                           `line 1: found a force of "much"`,
		"5 force NaN":                            `line 1: found a force of "NaN"`,
		"5 lift\n4 polish":                       "line 2: found 4 s after 5 s",
		"9e9 stop":                               "line 1: found \"9e9\"",
		strings.Repeat("1 lift\n", MaxActions+1): "line 10001: more than 10000 actions",
	} {
		if _, err := ParseScript(text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.20q gives %v, want %s", text, err, want)
		}
	}
}

func FuzzParseScript(f *testing.F) {
	f.Add("12.5 lift\n40 force 0.8\n55 stop # \x00")
	f.Fuzz(func(t *testing.T, text string) {
		list, err := ParseScript(text)
		if err != nil {
			return
		}
		for i, a := range list {
			if !(a.TimeS > 0) || i > 0 && a.TimeS < list[i-1].TimeS-1e-3 {
				t.Errorf("%q gives %v", text, list)
			}
		}
	})
}
