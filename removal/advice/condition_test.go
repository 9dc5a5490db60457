package advice

import (
	"errors"
	"math"
	"strings"
	"testing"
)

// known returns values in which everything is known but the contrast edge.
func known() *Values {
	s := SiteValues{
		Site: "c", ThicknessUM: 2.1, ThicknessLowUM: 2.09, SDUM: 0.004, RateUMMin: 0.5, ToTargetS: 12,
		EdgeNM: math.NaN(), SinceGoodS: 0.5,
		Visibility: func(nm float64) float64 { return nm / 1000 },
	}
	v := &Values{Here: s, Thinnest: s, Contact: true}
	v.Thinnest.Site, v.Thinnest.ThicknessUM = "ne", 2.05
	return v
}

func TestConditions(t *testing.T) {
	for source, want := range map[string]bool{
		"thickness_um < 2.2":                                 true,
		"thickness_um < 2.2 && contact":                      true,
		"thickness_um < 2.2 and not contact":                 false,
		"contact == false or rate_um_min >= 0.5":             true,
		"thinnest.thickness_um < 2.08":                       true,
		"thinnest.thickness_um < thickness_um":               true,
		"visibility_450 > 0.44 && visibility_450 < 0.46":     true,
		"thinnest.visibility_700 == 0.7":                     true,
		"abs(thickness_um - 2.2) < 0.11":                     true,
		"-sd_um * 2 + thickness_low_um / 2 > 1":              true,
		"1 < thickness_um < 2":                               false,
		"!(thickness_um < 2.2)":                              false,
		"!(thickness_um > 2.2 || !contact)":                  true,
		"contact != true":                                    false,
		"!(contact != true)":                                 true,
		"thickness_um != 2":                                  true,
		"true":                                               true,
		"1/0 > 3":                                            true,
		"thickness_um - thickness_um / 0 < 0 && sd_um < 0.1": true,

		// The edge is unknown: nothing said about it holds, negated or not.
		"edge_nm < 470":                            false,
		"edge_nm >= 470":                           false,
		"!(edge_nm < 470)":                         false,
		"!(edge_nm >= 470)":                        false,
		"edge_nm == 470":                           false,
		"edge_nm != 470":                           false,
		"!(edge_nm == 470)":                        false,
		"!(edge_nm != 470)":                        false,
		"not not (edge_nm < 470)":                  false,
		"edge_nm != edge_nm":                       false,
		"!(edge_nm < 470 && contact)":              false,
		"!(edge_nm < 470 || !contact)":             false,
		"abs(edge_nm - 470) > 1":                   false,
		"400 < edge_nm < 500":                      false,
		"!(400 < edge_nm < 500)":                   false,
		"edge_nm < 470 || thickness_um < 2.2":      true,
		"!(edge_nm < 470 && thickness_um > 2.2)":   true,
		"!(edge_nm * 0 == 0) || edge_nm - 1 < 1e9": false,
	} {
		c, fault := compile(source)
		if fault != nil {
			t.Errorf("%s: %v", source, fault)
			continue
		}
		if got := c.holds(known()); got != want {
			t.Errorf("%s = %v, want %v", source, got, want)
		}
	}
}

func TestConditionFaults(t *testing.T) {
	for _, c := range []struct {
		source       string
		line, column int
		message      string
	}{
		{"thicknes_um < 2", 1, 1, `unknown name "thicknes_um"`},
		{"contact &&\n  edge < 470", 2, 3, `unknown name "edge"`},
		{"thinnest.edge < 470", 1, 10, `unknown name "thinnest.edge"`},
		{"thinnest < 2", 1, 1, "thinnest"},
		{"thickness_um", 1, 1, "bool"},
		{"thickness_um && contact", 1, 14, "mismatched types"},
		{"contact < 2", 1, 9, "takes numbers"},
		{"-(sd_um != 1) != 2", 1, 1, "takes a number"},
		{"1 + (sd_um != 1) != 2", 1, 3, "takes numbers"},
		{"thickness_um < ", 1, 15, "unexpected token"},
		{"thickness_um < \"2\"", 1, 16, "text"},
		{"thickness_um in [1, 2]", 1, 17, "not allowed"},
		{"all([1], true)", 1, 5, "\"[1]\" is not allowed"},
		{"len(\"a\") > 0", 1, 1, "len"},
		{"now() > 0", 1, 1, "now"},
		{"let x = 1; x < 2", 1, 12, `unknown name "x"`},
		{"contact ? true : false", 1, 22, "not allowed"},
		{"thickness_um ** 2 < 4", 1, 14, "not allowed"},
		{"5 % 0 == 0", 1, 3, "not allowed"},
		{"(thickness_um < 2) == (sd_um < 1)", 1, 20, "compares conditions"},
		{"1..1000000000 == 3", 1, 2, "not allowed"},
		{"visibility_5 > 0", 1, 1, `unknown name "visibility_5"`},
		{"", 1, 1, ""},
		{strings.Repeat("(", 999), 1, 1, ""},
		{strings.Repeat("1+", 499) + "1 < 2", 1, 1, ""},
		{strings.Repeat("!", 2000), 0, 0, "2000 bytes"},
	} {
		_, err := New(Config{Rules: []Rule{{Name: "r", When: c.source, Advice: Stop}}})
		var fault *RuleError
		if !errors.As(err, &fault) {
			t.Errorf("%.40q: error %v, want a *RuleError", c.source, err)
			continue
		}
		if c.message == "" { // the library's words and place: only that it is refused
			continue
		}
		if fault.Line != c.line || fault.Column != c.column || !strings.Contains(fault.Message, c.message) {
			t.Errorf("%.40q: %d:%d %q, want %d:%d with %q", c.source, fault.Line, fault.Column, fault.Message, c.line, c.column, c.message)
		}
	}
}

// Whatever the condition, loading and evaluating it neither panics nor fails.
func FuzzCondition(f *testing.F) {
	for _, seed := range []string{"edge_nm < 470 && thickness_um < 2.2", "!(visibility_450 != 1) or not contact", "abs(-1)/0 >= thinnest.sd_um", "((1)", "a.b?.c[1:2]"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, source string) {
		c, fault := compile(source)
		if fault != nil {
			if fault.Message == "" {
				t.Error("fault without words")
			}
			return
		}
		v := known()
		c.holds(v)
		for _, in := range c.inputs {
			c.values[in.name] = in.from(v)
		}
		if _, err := c.machine.Run(c.program, c.values); err != nil {
			t.Errorf("%q: %v", source, err)
		}
	})
}
