package lessons

import (
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"bluefringe/device/simulate"
	"bluefringe/removal/lesson"
)

func embedded(t *testing.T) []Lesson {
	t.Helper()
	list, err := Embedded()
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func TestEmbedded(t *testing.T) {
	list := embedded(t)
	faults := map[string]bool{}
	for i, l := range list {
		if l.Number != i+1 {
			t.Errorf("lesson %d is number %d", i+1, l.Number)
		}
		faults[l.Fault] = true
		// A rule of thumb says where it is from.
		if rule := strings.ToLower(l.Rule); !strings.Contains(rule, "no source") && !strings.Contains(rule, "arithmetic") {
			t.Errorf("%s: the rule names no source: %s", l.Name, l.Rule)
		}
		if n := strings.Count(l.Teaches, ". ") + 1; n > 3 {
			t.Errorf("%s: %d sentences", l.Name, n)
		}
	}
	if len(faults) != len(lesson.FaultNames()) {
		t.Errorf("%d of %d mistakes have a lesson", len(faults), len(lesson.FaultNames()))
	}
	data, err := files.ReadFile("files/01-clean.toml")
	if err != nil || !strings.Contains(string(data), "Invented") {
		t.Errorf("not marked as invented: %v", err)
	}
}

// What is drawn lies within the lesson, the same for the same seed, and the simulator
// takes it.
func TestDraw(t *testing.T) {
	for _, l := range embedded(t) {
		starts := map[float64]bool{}
		for seed := uint64(1); seed <= 20; seed++ {
			truth := l.Draw(seed, l.Assistance)
			if !reflect.DeepEqual(truth, l.Draw(seed, l.Assistance)) {
				t.Fatalf("%s: the same seed gives two dies", l.Name)
			}
			um := truth.Config.Die.ThicknessUM
			starts[um] = true
			if um < l.Die.StartUM[0] || um > l.Die.StartUM[1] {
				t.Errorf("%s: starts at %g", l.Name, um)
			}
			if f := truth.Config.Removal.PrestonFactor; f < l.Rate.PrestonFactor[0] || f > l.Rate.PrestonFactor[1] {
				t.Errorf("%s: factor %g", l.Name, f)
			}
		}
		if len(starts) < 19 {
			t.Errorf("%s: %d different starts of 20", l.Name, len(starts))
		}
		if _, err := simulate.New(l.Draw(1, Blind).Config); err != nil {
			t.Errorf("%s: %v", l.Name, err)
		}
	}
}

func TestBlindAddsSpells(t *testing.T) {
	l := embedded(t)[0]
	with, without := l.Draw(3, Blind).Config, l.Draw(3, Full).Config
	if with.Faults.Dropout.PerMin == 0 || without.Faults.Dropout.PerMin != 0 {
		t.Errorf("%+v and %+v", with.Faults.Dropout, without.Faults.Dropout)
	}
	with.Faults.Dropout = without.Faults.Dropout
	if !reflect.DeepEqual(with, without) {
		t.Error("the assistance changes the die")
	}
}

// The thinnest place of a tilted square is its lowest corner: plane geometry.
func TestThinnestPlace(t *testing.T) {
	for _, l := range embedded(t) {
		if l.Name != "corner" {
			continue
		}
		truth := l.Draw(5, Full)
		d, half := truth.Config.Die, l.Parsed.Die.WidthMM/2
		want := d.ThicknessUM - half*(math.Abs(d.TiltXUMPerMM)+math.Abs(d.TiltYUMPerMM))
		thinnest := math.Inf(1)
		for _, s := range l.Site {
			thinnest = math.Min(thinnest, d.ThicknessUM+d.TiltXUMPerMM*s.XMM+d.TiltYUMPerMM*s.YMM)
		}
		if got := truth.ThinnestUM(thinnest); math.Abs(got-want) > 1e-9 || got >= thinnest {
			t.Errorf("thinnest place %g, want %g; thinnest site %g", got, want, thinnest)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	good, err := files.ReadFile("files/09-line.toml")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ from, to, want string }{
		{"wander_sd", "wonder_sd", "l.toml:60: rate.wonder_sd: found an unknown key: the nearest known key is rate.wander_sd"},
		{"lift_s = 1.0", "lift_s = -1", "l.toml:42: hand.lift_s: found -1: 0.1 to 60 is allowed"},
		{"preston_factor = [0.9, 1.1]", "preston_factor = [1.1, 0.9]", "rate.preston_factor: found 1.1 to 0.9: two values from 0.01 to 100, the smaller first, are allowed"},
		{"contact_s = 6", "contact_s = 301", "contact_s: found 301: 1 to 300 is allowed"},
		{"number = 9", "number = 0", "l.toml:2: number: found 0: 1 to 999 is allowed"},
		{`name = "line"`, `name = "progress"`, `name: found "progress": a word of`},
		{`fault = "line"`, `fault = "luck"`, `fault: found "luck": one of reaction, spacing,`},
		{`assistance = "full"`, `assistance = "some"`, `assistance: found "some": one of full, fringes, blind is allowed`},
		{"floor_um = 1.7", "flour_um = 1.7", "l.toml:20: setup: target.flour_um: found an unknown key: the nearest known key is target.floor_um"},
		{"floor_um = 1.7\n", "", "l.toml:17: setup: found no target with a floor: both are needed"},
		{"start_um = [2.7, 2.85]", "start_um = [1.7, 2.85]", "die.start_um: found 1.7: more than the target of 2 um is allowed"},
		{"force_n = [0.5, 2.0]", "force_n = [1.5, 2.0]", "hand.force_n: found 1.5 to 2: the force of the set-up, 1.4 N, must lie within"},
		{"pixels = 160", "pixels = 4000", "vis.pixels: found 4000: 16 to 2048 is allowed"},
		{"title = ", "titel = ", "titel: found an unknown key: the nearest known key is title"},
		{`title = "A lost line`, `title = "A \u001b[31m line`, "title: found characters that cannot be shown"},
		{"[[site]]\nname = \"c\"\nx_mm = 0\ny_mm = 0\n", "", "site: found 0 sites: 1 to 25 are allowed"},
		{"number = 9", "number = [", "l.toml:3: "},
	} {
		text := strings.Replace(string(good), c.from, c.to, 1)
		if text == string(good) {
			t.Fatalf("%q is not in the file", c.from)
		}
		if _, err := Parse("l.toml", []byte(text)); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want %s", c.to, err, c.want)
		}
	}
	if _, err := Parse("l.toml", make([]byte, maxBytes+1)); err == nil {
		t.Error("a file of any size is taken")
	}
}

func TestFolder(t *testing.T) {
	folder := t.TempDir()
	if _, err := Folder(folder); err == nil || !strings.Contains(err.Error(), "holds no lesson") {
		t.Errorf("an empty folder gives %v", err)
	}
	if _, err := Folder(filepath.Join(folder, "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a folder that is not there gives %v", err)
	}
	data, err := files.ReadFile("files/09-line.toml")
	if err != nil {
		t.Fatal(err)
	}
	write := func(name string, data []byte) {
		if err := os.WriteFile(filepath.Join(folder, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("own.toml", data)
	write("note.txt", nil)
	list, err := Folder(folder)
	if err != nil || len(list) != 1 || list[0].Name != "line" {
		t.Fatalf("%+v, %v", list, err)
	}
	write("twice.toml", data)
	if _, err := Folder(folder); err == nil || !strings.Contains(err.Error(), "there twice") {
		t.Errorf("two lessons of one name give %v", err)
	}
}
