package lessons

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"

	"bluefringe/device/event"
	"bluefringe/device/setup"
	"bluefringe/removal/lesson"

	"github.com/agnivade/levenshtein"
	"github.com/pelletier/go-toml/v2"
)

// Parse reads the text of a lesson file; name is for messages. An error is a
// setup.Problems.
func Parse(name string, data []byte) (Lesson, error) {
	if len(data) > maxBytes {
		return Lesson{}, setup.Problems{{File: name, Text: fmt.Sprintf("found more than %d bytes, no lesson is that long", maxBytes)}}
	}
	l := Lesson{Assistance: Full, ContactS: 6, LongestS: 600, Hand: Hand{LiftS: 1, PersonS: 1}}
	decoder := toml.NewDecoder(bytes.NewReader(data)).DisallowUnknownFields()
	if err := decoder.Decode(&l); err != nil {
		return Lesson{}, problems(name, err)
	}
	c := checker{file: name, data: data}
	c.check(&l)
	c.setup(&l)
	if len(c.problems) > 0 {
		slices.SortStableFunc(c.problems, func(a, b setup.Problem) int { return cmp.Compare(a.Line, b.Line) })
		return Lesson{}, c.problems
	}
	return l, nil
}

// problems explains what the decoder refuses.
func problems(name string, err error) setup.Problems {
	var unknown *toml.StrictMissingError
	if errors.As(err, &unknown) {
		var list setup.Problems
		for _, e := range unknown.Errors {
			line, _ := e.Position()
			key := strings.Join(e.Key(), ".")
			list = append(list, setup.Problem{File: name, Line: line, Key: key,
				Text: "found an unknown key: the nearest known key is " + nearest(key)})
		}
		return list
	}
	p := setup.Problem{File: name, Text: err.Error()}
	var at *toml.DecodeError
	if errors.As(err, &at) {
		p.Line, _ = at.Position()
		p.Key = strings.Join(at.Key(), ".")
	}
	return setup.Problems{p}
}

// nearest finds the known key most like one that is not known.
func nearest(key string) string {
	const longest = 100 // an absurd key needs no exact distance
	key = key[:min(len(key), longest)]
	return slices.MinFunc(keys("", reflect.TypeFor[Lesson]()), func(a, b string) int {
		return levenshtein.ComputeDistance(key, a) - levenshtein.ComputeDistance(key, b)
	})
}

// keys lists the keys of a table.
func keys(at string, table reflect.Type) (list []string) {
	for i := range table.NumField() {
		name := table.Field(i).Tag.Get("toml")
		if name == "-" {
			continue
		}
		name = strings.TrimPrefix(at+"."+name, ".")
		list = append(list, name)
		of := table.Field(i).Type
		if of.Kind() == reflect.Slice {
			of = of.Elem()
		}
		if of.Kind() == reflect.Struct {
			list = append(list, keys(name, of)...)
		}
	}
	return list
}

// checker collects the faults of one file.
type checker struct {
	file     string
	data     []byte
	problems setup.Problems
}

func (c *checker) add(key, format string, args ...any) {
	c.problems = append(c.problems, setup.Problem{File: c.file, Line: c.line(key), Key: key, Text: fmt.Sprintf(format, args...)})
}

// line is where a key stands, in the first table of its kind; 0 when it is nowhere.
func (c *checker) line(key string) int {
	table, name := "", key
	if dot := strings.IndexByte(key, '.'); dot >= 0 {
		table, name = key[:dot], key[dot+1:]
	}
	at, inText := "", false
	for i, line := range strings.Split(string(c.data), "\n") {
		line = strings.TrimSpace(line)
		if was := inText; was || strings.Contains(line, "'''") || strings.Contains(line, `"""`) {
			inText = was != (strings.Count(line, "'''")%2+strings.Count(line, `"""`)%2 == 1)
			if was {
				continue
			}
		}
		if strings.HasPrefix(line, "[") {
			at = strings.Trim(strings.SplitN(line, "#", 2)[0], "[] \t")
			continue
		}
		if word, _, ok := strings.Cut(line, "="); ok && at == table && strings.TrimSpace(word) == name {
			return i + 1
		}
	}
	return 0
}

func (c *checker) within(key string, v, low, high float64) {
	if !(v >= low && v <= high) {
		c.add(key, "found %g: %g to %g is allowed", v, low, high)
	}
}

func (c *checker) ranged(key string, r Range, low, high float64) {
	if !(r[0] >= low && r[0] <= r[1] && r[1] <= high) {
		c.add(key, "found %g to %g: two values from %g to %g, the smaller first, are allowed", r[0], r[1], low, high)
	}
}

// text makes a text of several lines one line.
func (c *checker) text(key string, text *string, most int) {
	*text = strings.Join(strings.Fields(*text), " ")
	n := utf8.RuneCountInString(*text)
	switch {
	case n == 0:
		c.add(key, "found no text: it is needed")
	case n > most:
		c.add(key, "found %d characters: up to %d are allowed", n, most)
	}
	for word := range strings.FieldsSeq(*text) {
		if event.Clean(word) != word {
			c.add(key, "found characters that cannot be shown")
			return
		}
	}
}

func (c *checker) oneOf(key, found string, allowed []string) {
	if !slices.Contains(allowed, found) {
		c.add(key, "found %.40q: one of %s is allowed", found, strings.Join(allowed, ", "))
	}
}

func (c *checker) check(l *Lesson) {
	c.within("number", float64(l.Number), 1, 999)
	if !word(l.Name) {
		c.add("name", "found %.40q: a word of up to 24 small letters, digits and -, with a letter first, is allowed, but not progress", l.Name)
	}
	const sentence = 400
	c.text("title", &l.Title, 60)
	c.text("teaches", &l.Teaches, sentence)
	c.text("watch", &l.Watch, sentence)
	c.text("rule", &l.Rule, sentence)
	c.oneOf("fault", l.Fault, lesson.FaultNames())
	c.oneOf("assistance", l.Assistance, Assistances())
	c.within("tolerance_um", l.ToleranceUM, 0, 100)
	c.within("longest_s", l.LongestS, 10, 7200)
	c.within("contact_s", l.ContactS, 1, math.Min(600, l.LongestS))
	c.within("hand.lift_s", l.Hand.LiftS, 0.1, 60)
	c.within("hand.person_s", l.Hand.PersonS, 0, 60)
	c.ranged("hand.force_n", l.Hand.ForceN, 1e-3, 1e4)
	c.ranged("die.start_um", l.Die.StartUM, 0.05, 1000)
	c.ranged("die.tilt_um_per_mm", l.Die.TiltUMPerMM, 0, 10)
	c.within("die.bow_um_per_mm2", l.Die.BowUMPerMM2, -1, 1)
	c.ranged("die.under_nm", l.Die.UnderNM, -1000, 1000)
	c.ranged("die.coverage", l.Die.Coverage, 0, 1)
	c.within("die.spread_nm", l.Die.SpreadNM, 0, 1000)
	c.within("die.roughness_nm", l.Die.RoughnessNM, 0, 100)
	c.ranged("rate.preston_factor", l.Rate.PrestonFactor, 0.01, 100)
	c.within("rate.break_in", l.Rate.BreakIn, 0, 1)
	c.within("rate.break_in_s", l.Rate.BreakInS, 0, 3600)
	c.ranged("rate.glazing_s", l.Rate.GlazingS, 0, 36000)
	c.within("rate.wander_sd", l.Rate.WanderSD, 0, 1)
	c.eye("vis", l.Vis)
	c.within("vis.per_s", l.Vis.PerS, 0.1, 20)
	if l.NIR.Pixels > 0 {
		c.eye("nir", l.NIR)
	}
	c.sites(l.Site)
	for _, v := range l.Slurry {
		c.veil("slurry", v)
	}
	for _, v := range l.Lost {
		c.veil("lost", v)
	}
}

func (c *checker) eye(table string, e Eye) {
	c.within(table+".pixels", float64(e.Pixels), 16, 2048)
	c.within(table+".from_nm", e.FromNM, 300, 2000)
	c.within(table+".to_nm", e.ToNM, e.FromNM+10, 2000)
	c.within(table+".resolution_nm", e.ResolutionNM, 0, 50)
	c.within(table+".lamp_counts", e.LampCounts, 10, 1e6)
	if e.AgedLampK != 0 {
		c.within(table+".aged_lamp_k", e.AgedLampK, 1000, 20000)
	}
	c.within(table+".film_depth", e.FilmDepth, 0, 1)
	c.within(table+".film_nm", e.FilmNM, 0, 1e5)
	c.within(table+".age_from_s", e.AgeFromS, 0, 7200)
	c.within(table+".age_over_s", e.AgeOverS, 0, 7200)
}

func (c *checker) sites(sites []Site) {
	const most = 25
	if n := len(sites); n < 1 || n > most {
		c.add("site", "found %d sites: 1 to %d are allowed", n, most)
	}
	for i, s := range sites {
		if !word(s.Name) || slices.ContainsFunc(sites[:i], func(o Site) bool { return o.Name == s.Name }) {
			c.add("site.name", "found %.40q: a word of its own for each site is allowed", s.Name)
		}
		c.within("site.x_mm", s.XMM, -500, 500)
		c.within("site.y_mm", s.YMM, -500, 500)
	}
}

func (c *checker) veil(table string, v Veil) {
	c.ranged(table+".at_um", v.AtUM, 0.01, 1000)
	c.within(table+".duration_s", v.DurationS, 0.1, 7200)
}

func word(text string) bool {
	if text == "" || len(text) > 24 || text == "progress" || text[0] < 'a' || text[0] > 'z' {
		return false
	}
	return !strings.ContainsFunc(text, func(r rune) bool { return !(r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '-') })
}

// setup reads the set-up inside; the lines of its faults are those of the lesson file.
func (c *checker) setup(l *Lesson) {
	s, err := setup.Parse(c.file, []byte(l.Setup))
	var inside setup.Problems
	if errors.As(err, &inside) {
		for _, p := range inside {
			if p.Line > 0 {
				p.Line += c.line("setup") // the text begins on the line after the key's
			}
			if p.Key != "" {
				p.Key = "setup: " + p.Key
			}
			c.problems = append(c.problems, p)
		}
		return
	}
	l.Parsed = s
	if l.ToleranceUM == 0 {
		l.ToleranceUM = math.Max(0.02, 0.02*s.Target.ThicknessUM)
	}
	switch {
	case !(s.Target.ThicknessUM > 0 && s.Target.FloorUM > 0):
		c.add("setup", "found no target with a floor: both are needed")
	case !s.Process.PredictsRate():
		c.add("setup", "found no pad, force, speed or Preston coefficient: all are needed")
	case len(s.Optics.Under) == 0:
		c.add("setup", "found no layer under the silicon: one or more is allowed")
	case l.Die.StartUM[0] <= s.Target.ThicknessUM:
		c.add("die.start_um", "found %g: more than the target of %g um is allowed", l.Die.StartUM[0], s.Target.ThicknessUM)
	}
	if f, _ := s.Process.Force(); f < l.Hand.ForceN[0] || f > l.Hand.ForceN[1] {
		c.add("hand.force_n", "found %g to %g: the force of the set-up, %g N, must lie within", l.Hand.ForceN[0], l.Hand.ForceN[1], f)
	}
}
