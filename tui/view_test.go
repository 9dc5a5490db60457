package tui

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	tea "github.com/charmbracelet/bubbletea"
	"github.com/charmbracelet/lipgloss"
	"github.com/charmbracelet/x/ansi"
	"github.com/charmbracelet/x/exp/golden"
	"github.com/muesli/termenv"

	"bluefringe/optics/estimate"
	"bluefringe/removal"
	"bluefringe/removal/advice"
	"bluefringe/removal/guide"
)

// states are all the snapshots the golden screens show.
func states() map[string]Snapshot {
	return map[string]Snapshot{
		"Waiting": {Source: "serial ttyUSB0", StateText: "port is open", TargetUM: 2, FloorUM: 1.5},
		"Good":    live(300, 3.19), "Weak": weak(), "Ambiguous": ambiguous(), "Lost": lost(), "Channels": twoChannels(),
		"Prepare": preparing(), "Stop": stopping(), "Blind": blind(), "Lifted": lifted(), "Broken": broken(), "Sites": many(), "Undecided": undecided(),
	}
}

// sizes of the golden screens, one for each layout.
func sizes() [][2]int { return [][2]int{{80, 24}, {120, 40}, {200, 60}} }

// full has every key.
func full() Options {
	return Options{Acknowledge: func() {}, Note: func(float64, string) string { return "" },
		Copy: func(string) string { return "" }, Bell: func() {}}
}

// The golden screens have no colour and so are those of NO_COLOR too.
func TestGolden(t *testing.T) {
	for name, s := range states() {
		for _, size := range sizes() {
			t.Run(fmt.Sprintf("%s%dx%d", name, size[0], size[1]), func(t *testing.T) {
				golden.RequireEqual(t, []byte(screen(t, s, size[0], size[1], full()).View()))
			})
		}
	}
}

// modes are screens that come by keys.
func modes() map[string]struct {
	s    Snapshot
	keys []string
} {
	type mode = struct {
		s    Snapshot
		keys []string
	}
	return map[string]mode{
		"Paused":      {live(300, 3.19), []string{"space"}},
		"LookingBack": {preparing(), []string{"pgup", "left", "left"}},
		"Note":        {preparing(), []string{"n", "n", "e", "w", "space", "p", "a", "d", "left", "left"}},
		"QuitAsked":   {live(300, 3.19), []string{"q"}},
		"Interrupted": {live(300, 3.19), []string{"ctrl+c"}},
		"SitePicked":  {many(), []string{"s", "s", "s"}},
		"Picture2":    {many(), []string{"tab"}},
		"Picture3":    {many(), []string{"tab", "tab"}},
		"Picture4":    {many(), []string{"tab", "tab", "tab"}},
		"Zoomed":      {live(300, 3.19), []string{"-", "-"}},
		"Help":        {live(300, 3.19), []string{"?"}},
		"Help2":       {live(300, 3.19), []string{"?", "?"}},
	}
}

func TestGoldenModes(t *testing.T) {
	for name, mode := range modes() {
		for _, size := range sizes() {
			t.Run(fmt.Sprintf("%s%dx%d", name, size[0], size[1]), func(t *testing.T) {
				m := press(t, screen(t, mode.s, size[0], size[1], full()), mode.keys...)
				golden.RequireEqual(t, []byte(m.View()))
			})
		}
	}
}

// Colours, for each look: in 256 colours, as over many remote lines.
func TestGoldenColour(t *testing.T) {
	for name, o := range map[string]Options{
		"Dark": {}, "Light": {Light: true}, "Contrast": {Contrast: true}, "LightContrast": {Light: true, Contrast: true},
	} {
		t.Run(name, func(t *testing.T) {
			o.Renderer = lipgloss.NewRenderer(io.Discard)
			o.Renderer.SetColorProfile(termenv.ANSI256)
			golden.RequireEqual(t, []byte(screen(t, preparing(), 80, 24, o).View()))
		})
	}
}

func TestGoldenASCII(t *testing.T) {
	for name, s := range map[string]Snapshot{"Blind": blind(), "Sites": many(), "Ambiguous": ambiguous()} {
		for _, size := range sizes() {
			t.Run(fmt.Sprintf("%s%dx%d", name, size[0], size[1]), func(t *testing.T) {
				golden.RequireEqual(t, []byte(screen(t, s, size[0], size[1], Options{ASCII: true}).View()))
			})
		}
	}
}

// The layouts between, the smallest, and below it.
func TestGoldenSizes(t *testing.T) {
	for _, size := range [][2]int{{60, 18}, {70, 24}, {100, 30}, {160, 24}, {76, 50}, {140, 44}, {59, 17}, {30, 8}} {
		t.Run(fmt.Sprintf("%dx%d", size[0], size[1]), func(t *testing.T) {
			golden.RequireEqual(t, []byte(screen(t, many(), size[0], size[1], full()).View()))
		})
	}
}

// fits fails unless the view has exactly h lines, none wider than w, and holds
// no control character but the escapes of the styles.
func fits(t *testing.T, view string, w, h int) {
	t.Helper()
	lines := strings.Split(view, "\n")
	if len(lines) != h {
		t.Errorf("%dx%d: %d lines", w, h, len(lines))
	}
	for i, line := range lines {
		if got := ansi.StringWidth(line); got > w {
			t.Errorf("%dx%d: line %d is %d wide: %q", w, h, i, got, line)
		}
	}
	for _, r := range ansi.Strip(view) {
		if r < ' ' && r != '\n' || r >= 0x7f && r < 0xa0 {
			t.Errorf("%dx%d: control character %U", w, h, r)
		}
	}
}

// wellFormatted fails if a number that does not exist was printed as one.
func wellFormatted(t *testing.T, view string) {
	t.Helper()
	for _, word := range []string{"NaN", "Inf", "%!"} {
		if strings.Contains(view, word) {
			t.Errorf("%q on the screen:\n%s", word, view)
		}
	}
}

func TestFitsAnySize(t *testing.T) {
	r := lipgloss.NewRenderer(io.Discard)
	r.SetColorProfile(termenv.TrueColor)
	random := rand.New(rand.NewPCG(1, 1))
	sizes := [][2]int{{80, 24}, {120, 40}, {200, 60}, {60, 18}, {59, 18}, {60, 17}, {40, 12}, {1, 1}, {1, 60}, {300, 1}, {60, 120}}
	for range 5 { // the property tests have many more
		sizes = append(sizes, [2]int{1 + random.IntN(260), 1 + random.IntN(90)})
	}
	all := states()
	for _, size := range sizes {
		w, h := size[0], size[1]
		for name, s := range all {
			for _, o := range []Options{{}, {ASCII: true, Light: true, Renderer: r}} {
				m := screen(t, s, w, h, o)
				fits(t, m.View(), w, h)
				wellFormatted(t, m.View())
				m = press(t, m, "?")
				fits(t, m.View(), w, h)
				if t.Failed() {
					t.Fatal(name, w, h)
				}
			}
		}
	}
}

func TestSaysSomethingBeforeAnySize(t *testing.T) {
	var b Board
	m := New(&b, Options{Now: noon})
	if v := m.View(); v == "" || strings.Contains(v, "\n") {
		t.Errorf("first view: %q", v)
	}
	fits(t, sized(sized(m, 80, 24), 70, 20).View(), 70, 20)
}

// What must be on the smallest full screen, and in plain words below it.
func TestEssentialsAreShown(t *testing.T) {
	for _, c := range []struct {
		w, h int
		want []string
	}{
		{80, 24, []string{"PREPARE – stop is near", "target in 10.8 s", "±0.003 µm", "0.104 µm", "0.604 µm", "10.8 s (9.9–11.9)",
			"0.58 ±0.02 µm/min", "0.1 s ago", "reflectance", "visibility", "target", "floor", "825 spectra", "q quit",
			"recording die17.jsonl"}},
		{60, 18, []string{"PREPARE – stop is near", "target in 10.8 s", "±0.003 µm", "10.8 s (9.9–11.9)", "825 spectra"}},
		{40, 12, []string{"PREPARE – stop is near", "2.104 ±0.003 µm", "target in 10.8 s"}},
		{120, 40, []string{"thickness, µm", "forecast", "run time"}},
	} {
		view := screen(t, preparing(), c.w, c.h, Options{}).View()
		for _, want := range c.want {
			if !strings.Contains(view, want) {
				t.Errorf("%dx%d: no %q in\n%s", c.w, c.h, want, view)
			}
		}
	}
}

// Each advice differs from the others in words and in shape without any colour.
func TestAdviceDiffersWithoutColour(t *testing.T) {
	seen := map[string]bool{}
	for l := advice.Continue; l <= advice.Stop; l++ {
		s := live(300, 3.19)
		s.Step.Advice.Level = l
		line := strings.Split(screen(t, s, 80, 24, Options{}).View(), "\n")[0]
		shape := string([]rune(strings.TrimSpace(line))[0])
		word := strings.Fields(line)[1]
		if seen[shape] || seen[word] {
			t.Errorf("%s: shape %q or word %q was used before", l, shape, word)
		}
		seen[shape], seen[word] = true, true
	}
}

func TestASCIIModeIsASCII(t *testing.T) {
	for name, s := range states() {
		s.Job = "漢字 é ü"
		for _, size := range [][2]int{{80, 24}, {200, 60}, {40, 12}} {
			for _, r := range screen(t, s, size[0], size[1], Options{ASCII: true}).View() {
				if r > '~' {
					t.Fatalf("%s at %v: %q", name, size, r)
				}
			}
		}
	}
}

// Between two stretches the most that the next may last stands in the advice
// line and in the readout, rounded down.
func TestNextStretch(t *testing.T) {
	for _, size := range [][2]int{{40, 10}, {80, 24}, {120, 40}, {200, 60}} {
		shows(t, screen(t, lifted(), size[0], size[1], Options{}), "CONTINUE – next stretch at most 12 s")
	}
	shows(t, screen(t, lifted(), 80, 24, Options{}), "up; next: most 12 s")
	down := lifted()
	down.Step.Forecast.Contact = true
	hides(t, screen(t, down, 80, 24, Options{}), "next")
	if line := PlainLine(lifted().Step); !strings.Contains(line, "pad lifted, next stretch at most 12 s") {
		t.Error(line)
	}
	for s, want := range map[float64]string{0.99: "0.9 s", 9.99: "9.9 s", 12.99: "12 s", 119.9: "119 s", 125.9: "2 min 05 s"} {
		if got := stretch(s); got != want {
			t.Errorf("%g s became %q, want %q", s, got, want)
		}
	}
}

// Each doubt has a look and a word of its own.
func TestDoubtsLookDifferent(t *testing.T) {
	seen := map[rune]string{}
	for name, s := range map[string]Snapshot{"good": live(300, 3.19), "weak": weak(), "ambiguous": ambiguous(),
		"contradicted": twoChannels(), "predicted": blind(), "lost": lost()} {
		r := read(&s, noon())
		if other := seen[r.ink()]; other != "" {
			t.Errorf("%s looks like %s", name, other)
		}
		seen[r.ink()] = name
		word := strings.ToUpper(name)
		if name == "good" || name == "predicted" {
			word = name
		}
		shows(t, screen(t, s, 80, 24, Options{}), word)
		shows(t, screen(t, s, 80, 24, Options{ASCII: true}), word)
	}
	inks := map[byte]rune{}
	for r := range seen {
		if other, ok := inks[asciiRune(r)]; ok {
			t.Errorf("in ASCII %c looks like %c", r, other)
		}
		inks[asciiRune(r)] = r
	}
	shows(t, screen(t, undecided(), 80, 24, Options{}), "AMBIGUOUS")
}

// Old data must not look current: the last good spectrum ages with the wall
// clock, and an old "continue" loses its place to the missing data.
func TestSilenceShows(t *testing.T) {
	now := noon()
	m := screen(t, live(300, 3.19), 80, 24, Options{Now: func() time.Time { return now }})
	if v := m.View(); strings.Contains(v, "OLD") || strings.Contains(v, "NO DATA") || !strings.Contains(v, "▶ CONTINUE") {
		t.Errorf("fresh data look old:\n%s", v)
	}
	now = now.Add(4 * time.Second)
	next, _ := m.Update(tickMsg{})
	for _, want := range []string{"○ NO DATA for 4.1 s – last advice: CONTINUE", "4.1 s ago: OLD", "predicted"} {
		if v := next.View(); !strings.Contains(v, want) {
			t.Errorf("no %q after 4 s of silence:\n%s", want, v)
		}
	}

	s := stopping() // a stop stays a stop
	s.Received = now.Add(-8 * time.Second)
	line := strings.Split(screen(t, s, 80, 24, Options{Now: func() time.Time { return now }}).View(), "\n")[0]
	if !strings.Contains(line, "STOP – lift the pad now (no data for 8.0 s)") {
		t.Errorf("advice line: %q", line)
	}
}

// A lost estimate is not shown as the present thickness.
func TestLostIsNotCurrent(t *testing.T) {
	v := screen(t, lost(), 80, 24, Options{}).View()
	for _, want := range []string{"░░░░░░", "predicted 6.1 s", "LOST", "no fit", "it has no fringes"} {
		if !strings.Contains(v, want) {
			t.Errorf("no %q in\n%s", want, v)
		}
	}
	if strings.Contains(v, "██████ ") {
		t.Errorf("solid digits:\n%s", v)
	}
}

// Nothing that came from outside can move the cursor, colour the screen or push
// other things off it.
func TestHostileText(t *testing.T) {
	for _, bad := range []string{
		"\x1b[2J\x1b[31mred\x1b]0;title\x07", "a\r\nb\tc\x00\x7f\u0085d", "\u202eright to left\u202c",
		strings.Repeat("漢字", 300), strings.Repeat("x", 5000), "⚠\ufe0f👩\u200d👩\u200d👧 🇬🇧🇩🇪", "e" + strings.Repeat("\u0301", 400),
		"\u0301\u0301", "\xff\xfe\xc0", "ก็็็็็", "\u1100\u1161\u11a8", "\u2028\u2029",
	} {
		s := many()
		s.Job, s.Source, s.StateText, s.Recording, s.RecordError = bad, bad, bad, bad, bad
		s.Health.LastFault = bad
		s.Step.Advice.Reason, s.Step.Advice.Site = bad, bad
		for i := range s.Sites {
			s.Sites[i].Name = bad
		}
		e := *s.Estimate
		e.Site, e.Reason, e.Quality = bad, bad, estimate.Weak
		s.Step.Estimate, s.Estimate = &e, &e
		s.Thinnest.Site = bad
		for _, state := range []State{Waiting, Live, Ended, LineLost, State(9)} {
			s.State = state
			for _, size := range [][2]int{{80, 24}, {120, 40}, {200, 60}, {30, 8}, {3, 3}} {
				v := screen(t, s, size[0], size[1], Options{}).View()
				fits(t, v, size[0], size[1])
				if strings.ContainsAny(v, "\x1b\u202e") {
					t.Errorf("%q reached the screen", bad)
				}
			}
		}
	}
}

func FuzzTextFits(f *testing.F) {
	f.Add("die 17", 80, 24)
	f.Add("\x1b[31m漢字\u0301", 61, 19)
	f.Fuzz(func(t *testing.T, s string, w, h int) {
		w, h = 1+abs(w%250), 1+abs(h%80)
		snapshot := preparing()
		snapshot.Job, snapshot.Step.Advice.Reason, snapshot.Health.LastFault = s, s, s
		fits(t, screen(t, snapshot, w, h, Options{}).View(), w, h)
	})
}

// Numbers that do not exist, or are absurd, leave a dash or a word.
func TestNumbersThatDoNotExist(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -3, 1e300, -1e300, 1e-300} {
		times := removal.Interval{P05S: v, P50S: v, P95S: v}
		s := many()
		f := guide.Forecast{TimeS: v, Site: "c", ThicknessUM: v, SDUM: v, RateUMMin: v, RateSDUMMin: v,
			ToTargetS: times, ToFloorS: times, SinceGoodS: v, Contact: true}
		list := []float64{v, 500, v, 600, 600, v}
		e := &guide.Estimate{TimeS: v, Site: "c", ThicknessUM: v, SDUM: v, SpreadUM: v, EdgeNM: v, AbsorptionUM: v, AbsorptionSDUM: v, Picture: guide.Picture{
			WavelengthNM: list, Reflectance: list, Model: list, VisibilityNM: list, Visibility: list,
			VisibilityExpected: list, EdgeExpectedNM: v, EdgeThreshold: v}}
		s.TargetUM, s.FloorUM, s.StartThicknessUM = v, v, v
		s.Step = guide.Step{TimeS: v, Estimate: e, Forecast: f, Advice: guide.Advice{TimeS: v, ThinnestUM: v, Site: "c"}}
		s.Thinnest, s.Estimate, s.Health.RateHz = &f, e, v
		for i := range s.Sites {
			s.Sites[i] = Site{Name: "c", XMM: v, YMM: v, ThicknessUM: v, SDUM: v, TimeS: v}
		}
		s.History = &History{}
		for range 5 {
			s.History.Add(Point{TimeS: v, ThicknessUM: v, SDUM: v, EdgeNM: v, Level: advice.Level(-2)})
		}
		for _, size := range [][2]int{{80, 24}, {120, 40}, {200, 60}, {20, 5}} {
			v := screen(t, s, size[0], size[1], Options{}).View()
			fits(t, v, size[0], size[1])
			wellFormatted(t, v)
		}
	}
}

func TestNoTargetNoFloor(t *testing.T) {
	s := live(300, 3.19)
	s.TargetUM, s.FloorUM = nan(), nan()
	v := screen(t, s, 80, 24, Options{}).View()
	for _, want := range []string{"no target set", "no floor set"} {
		if !strings.Contains(v, want) {
			t.Errorf("no %q in\n%s", want, v)
		}
	}
}

// The column is to scale: at half the thickness it is half as high.
func TestColumnIsToScale(t *testing.T) {
	height := func(um float64) (eighthsHigh int) {
		s := live(300, um)
		s.StartThicknessUM, s.TargetUM, s.FloorUM = 10, 8, nan()
		var c canvas
		c.reset(20, 42)
		r := read(&s, noon())
		r.rate = 0
		drawColumn(c.all(), &s, &r)
		for y := range 40 {
			if i := strings.IndexRune(eighths, c.all().at(0, y+1).r); i > 0 {
				eighthsHigh += (i + 2) / len("█")
			}
		}
		return eighthsHigh
	}
	// 40 rows of 8 for 10 µm; the limit line hides one row above the silicon only.
	for um, want := range map[float64]int{5: 160, 2.5: 80, 7.5: 240, 0.5: 16} {
		if got := height(um); got < want-1 || got > want+1 {
			t.Errorf("%g µm: %d eighths high, want %d", um, got, want)
		}
	}
}

// Text is readable on its background: contrast at least 4.5:1, and in the
// contrast mode 7:1, as defined in WCAG 2.1, success criteria 1.4.3 and 1.4.6
// (relative luminance from memory).
func TestContrast(t *testing.T) {
	luminance := func(hex string) float64 {
		var c [3]int
		if _, err := fmt.Sscanf(hex, "#%02X%02X%02X", &c[0], &c[1], &c[2]); err != nil {
			t.Fatal(hex, err)
		}
		var l [3]float64
		for i, v := range c {
			if s := float64(v) / 255; s <= 0.03928 {
				l[i] = s / 12.92
			} else {
				l[i] = math.Pow((s+0.055)/1.055, 2.4)
			}
		}
		return 0.2126*l[0] + 0.7152*l[1] + 0.0722*l[2]
	}
	for _, o := range []struct {
		light, contrast bool
		least           float64
	}{{false, false, 4.5}, {true, false, 4.5}, {false, true, 7}, {true, true, 7}} {
		light := o.light
		for i, l := range looks(light, o.contrast) {
			fg, bg := l.fg, l.bg
			if fg == "" {
				continue
			}
			if bg == "" {
				bg = black
				if light {
					bg = white
				}
			}
			a, b := luminance(fg), luminance(bg)
			if ratio := (max(a, b) + 0.05) / (min(a, b) + 0.05); ratio < o.least {
				t.Errorf("light %v, pen %d: contrast %s on %s is %.2f", light, i, fg, bg, ratio)
			}
		}
	}
}

func BenchmarkFrame(b *testing.B) {
	r := lipgloss.NewRenderer(io.Discard)
	r.SetColorProfile(termenv.TrueColor)
	s := many()
	pic := picture(2.5, 1024, true)
	s.Estimate.Picture = pic
	for _, size := range [][2]int{{80, 24}, {120, 40}, {200, 60}} {
		b.Run(fmt.Sprintf("%dx%d", size[0], size[1]), func(b *testing.B) {
			var m tea.Model = screen(b, s, size[0], size[1], Options{Renderer: r})
			b.ReportAllocs()
			for b.Loop() {
				m, _ = m.Update(tickMsg{})
				if m.View() == "" {
					b.Fatal("empty")
				}
			}
		})
	}
}
