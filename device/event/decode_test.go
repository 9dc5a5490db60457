package event

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"
)

func ptr[T any](v T) *T { return &v }

func TestDecode(t *testing.T) {
	tests := []struct {
		line string
		want Body
	}{
		{
			`{"type":"run","format":1,"job":"j","started":"2026-03-02T08:00:00Z","channels":{"vis":{"wavelength_poly":[400,0.5],"pixels":3}},"sites":{"c":[0,0],"ne":[2.5,-2.5]}}`,
			Run{
				Format: 1, Job: "j", Started: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC),
				Channels: map[string]Channel{"vis": {WavelengthPoly: Values{400, 0.5}, Pixels: 3}},
				Sites:    map[string][2]float64{"c": {0, 0}, "ne": {2.5, -2.5}},
			},
		},
		{`{"type":"setup","toml":"[target]\n"}`, Setup{TOML: "[target]\n"}},
		{`{"type":"dark","time_s":0,"channel":"vis","counts":[1,2e1,-3.5]}`, Dark{Channel: "vis", Counts: Values{1, 20, -3.5}}},
		{`{"type":"reference","time_s":0.5,"channel":"vis","material":"silicon","counts":[7]}`, Reference{TimeS: 0.5, Channel: "vis", Material: "silicon", Counts: Values{7}}},
		{
			`{"type":"dark","time_s":3,"channel":"vis","counts":[1],"integration_ms":20,"earlier":true,"started":"2026-03-02T08:00:00Z"}`,
			Dark{TimeS: 3, Channel: "vis", Counts: Values{1}, IntegrationMS: 20, Earlier: true, Started: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)},
		},
		{
			`{"type":"reference","time_s":3,"channel":"vis","material":"Si","counts":[1],"integration_ms":0.5,"earlier":true}`,
			Reference{TimeS: 3, Channel: "vis", Material: "Si", Counts: Values{1}, IntegrationMS: 0.5, Earlier: true},
		},
		{`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1],"integration_ms":5}`, Spectrum{TimeS: 1, Channel: "vis", Counts: Values{1}, IntegrationMS: 5}},
		{`{"type":"process","time_s":1,"contact":false,"force_n":1.4}`, Process{TimeS: 1, Contact: ptr(false), ForceN: ptr(1.4)}},
		{`{"type":"process","time_s":1,"contact":null}`, Process{TimeS: 1}},
		{`{"type":"spectrum","time_s":12.5,"channel":"vis","site":"ne","counts":[1]}`, Spectrum{TimeS: 12.5, Channel: "vis", Site: "ne", Counts: Values{1}}},
		{` { "time_s" : 1 , "type" : "spectrum" , "channel" : "vis" , "reflectance" : [ 0.1 , 0.2 ] } `, Spectrum{TimeS: 1, Channel: "vis", Reflectance: Values{0.1, 0.2}}},
		{`{"type":"note","time_s":60,"text":"slurry \"fresh\" } ] added"}`, Note{TimeS: 60, Text: `slurry "fresh" } ] added`}},
		{`{"type":"end","time_s":900,"extra":{"deep":[[1],{"a":"}"}]}}`, End{TimeS: 900}},
		{`{"ty\u0070e":"end","time_s":900}`, End{TimeS: 900}},
		{`{"type":"truth","time_s":1,"thickness_um":2.5}`, Truth{TimeS: 1, Site: "c", ThicknessUM: 2.5}},
		{`{"type":"estimate","time_s":1,"site":"n","channel":"vis","thickness_um":2.1,"sd_um":null,"quality":"weak"}`, Estimate{TimeS: 1, Site: "n", Channel: "vis", ThicknessUM: ptr(2.1), Quality: "weak"}},
		{`{"type":"forecast","time_s":1,"site":"c","to_target_s":{"p05":1,"p50":2,"p95":null}}`, Forecast{TimeS: 1, Site: "c", ToTargetS: &Interval{P05: ptr(1.0), P50: ptr(2.0)}}},
		{`{"type":"advice","time_s":1,"advice":"stop","rule":"floor","reason":"r"}`, Advice{TimeS: 1, Advice: "stop", Rule: "floor", Reason: "r"}},
		{`{"type":"temperature","time_s":"any shape"}`, nil},
	}
	for _, tt := range tests {
		for _, end := range []string{"", "\n", "\r\n"} {
			got, err := Decode([]byte(tt.line + end))
			if err != nil {
				t.Errorf("%s: %v", tt.line, err)
				continue
			}
			if !reflect.DeepEqual(got.Body, tt.want) {
				t.Errorf("%s:\n got %#v\nwant %#v", tt.line, got.Body, tt.want)
			}
			if string(got.Raw) != tt.line {
				t.Errorf("Raw is %q", got.Raw)
			}
		}
	}
}

func TestDecodeRefuses(t *testing.T) {
	deep := strings.Repeat("[", 40) + strings.Repeat("]", 40)
	tests := []struct {
		line string
		kind error
		says string
	}{
		{"", ErrBlank, ""},
		{" \t\r\n", ErrBlank, ""},
		{"[1]", ErrSyntax, "JSON object is allowed"},
		{"nonsense", ErrSyntax, `"nonsense"`},
		{`{"type":"end","time_s":1`, ErrSyntax, ""},
		{`{"type":"end","time_s":1} trailing`, ErrSyntax, ""},
		{"{\"type\":\"note\",\"time_s\":1,\"text\":\"\xff\"}", ErrSyntax, "UTF-8"},
		{`{"time_s":1}`, ErrSyntax, `"type" is missing`},
		{`{"type":7}`, ErrSyntax, "text is allowed"},
		{`{"type":""}`, ErrSyntax, "1 to 64"},
		{`{"type":"x","a":` + deep + `}`, ErrSyntax, "32 deep"},
		{`{"type":"end","time_s":1,"time_s":2}`, ErrSyntax, "twice"},
		{`{"type":"end"}`, ErrField, `"time_s" is missing`},
		{`{"type":"end","time_s":null}`, ErrField, `"time_s" is missing`},
		{`{"type":"end","time_s":"1"}`, ErrField, "a number is allowed"},
		{`{"type":"end","time_s":1e999}`, ErrField, "finite"},
		{`{"type":"end","TIME_S":1}`, ErrField, `"time_s" is missing`},
		{`{"type":"spectrum","time_s":1,"counts":[1]}`, ErrField, `"channel" is missing`},
		{`{"type":"spectrum","time_s":1,"channel":"v"}`, ErrField, "neither"},
		{`{"type":"spectrum","time_s":1,"channel":"v","counts":[1],"reflectance":[1]}`, ErrField, "both"},
		{`{"type":"spectrum","time_s":1,"channel":"v","counts":[]}`, ErrField, "empty"},
		{`{"type":"spectrum","time_s":1,"channel":"v","counts":[1,"2"]}`, ErrField, "value 1"},
		{`{"type":"spectrum","time_s":1,"channel":"v","counts":[[1]]}`, ErrField, "value 0"},
		{`{"type":"spectrum","time_s":1,"channel":"v","counts":[1,2e400]}`, ErrField, "finite"},
		{`{"type":"spectrum","time_s":1,"channel":"v","counts":{"a":1}}`, ErrField, "list of numbers"},
		{`{"type":"spectrum","time_s":1,"channel":"` + strings.Repeat("v", 65) + `","counts":[1]}`, ErrField, "65 bytes"},
		{`{"type":"dark","time_s":1,"channel":"v","counts":[` + strings.Repeat("1,", MaxPixels) + `1]}`, ErrField, "65537"},
		{`{"type":"process","time_s":1,"contact":1}`, ErrField, "true or false"},
		{`{"type":"process","time_s":1,"force_n":-1}`, ErrField, "0 or more"},
		{`{"type":"process","time_s":1,"pad_mm":0}`, ErrField, "above 0"},
		{`{"type":"run"}`, ErrField, `"format" is missing`},
		{`{"type":"run","format":2}`, ErrFormat, "reads up to 1"},
		{`{"type":"run","format":0}`, ErrField, "1 is allowed"},
		{`{"type":"run","format":1,"started":"yesterday"}`, ErrField, "yesterday"},
		{`{"type":"run","format":1,"channels":{"v":{"wavelength_nm":[402,401,403]}}}`, ErrField, "only rising or only falling"},
		{`{"type":"run","format":1,"channels":{"v":{"wavelength_nm":[0.4,0.5]}}}`, ErrField, "pixel 0 has the wavelength 0.4 nm: 150 to 2600 nm is allowed"},
		{`{"type":"run","format":1,"channels":{"v":{"wavelength_poly":[400,1],"pixels":3000}}}`, ErrField, "pixel 2201 has the wavelength 2601 nm: 150 to 2600 nm is allowed"},
		{`{"type":"run","format":1,"channels":{"v":{"wavelength_poly":[400,2,-0.01],"pixels":200}}}`, ErrField, "pixels 100 and 101 have the wavelengths 500 and 499.99 nm: only rising"},
		{`{"type":"run","format":1,"channels":{"v":{"wavelength_poly":[400,1e308,1e308],"pixels":9}}}`, ErrField, "pixel 1 has the wavelength +Inf nm"},
		{`{"type":"dark","time_s":1,"channel":"v","counts":[1],"integration_ms":0}`, ErrField, "\"integration_ms\" is 0: 0.001 to 3.6e+06 is allowed"},
		{`{"type":"spectrum","time_s":1,"channel":"v","counts":[1],"integration_ms":-2}`, ErrField, "integration_ms"},
		{`{"type":"spectrum","time_s":1,"channel":"v","counts":[1],"integration_ms":"5"}`, ErrField, "a number is allowed"},
		{`{"type":"dark","time_s":1,"channel":"v","counts":[1],"earlier":1}`, ErrField, "true or false"},
		{`{"type":"reference","time_s":1,"channel":"v","material":"Si","counts":[1],"started":"noon"}`, ErrField, "noon"},
		{`{"type":"run","format":1,"channels":{"v":{"wavelength_poly":[1,null],"pixels":2}}}`, ErrField, "NaN"},
		{`{"type":"run","format":1,"channels":{"v":{"wavelength_poly":[1,1],"pixels":1e9}}}`, ErrField, "1 to 65536"},
		{`{"type":"run","format":1,"channels":{"v":7}}`, ErrField, `"v"`},
		{`{"type":"run","format":1,"sites":{"c":[1]}}`, ErrField, "[x, y]"},
		{`{"type":"run","format":1,"sites":{"c":[1,null]}}`, ErrField, "[x, y]"},
		{`{"type":"` + strings.Repeat("x", MaxLineBytes) + `"}`, ErrTooLong, "4194304"},
	}
	for _, tt := range tests {
		_, err := Decode([]byte(tt.line))
		if !errors.Is(err, tt.kind) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%.80s: got %v, want %v saying %q", tt.line, err, tt.kind, tt.says)
		}
		if err != nil && len(err.Error()) > 400 {
			t.Errorf("%.80s: the error has %d bytes", tt.line, len(err.Error()))
		}
	}
}

// An object with very many fields must not become a large map first.
func TestDecodeBoundsFields(t *testing.T) {
	var line bytes.Buffer
	line.WriteString(`{"type":"x"`)
	for i := range 200_000 {
		fmt.Fprintf(&line, `,"%d":0`, i)
	}
	line.WriteString("}")
	if _, err := Decode(line.Bytes()); !errors.Is(err, ErrSyntax) {
		t.Errorf("got %v", err)
	}
}

// The check value of CRC-32 (IEEE 802.3, as zlib computes it) for "123456789"
// is CBF43926.
func TestCRCVector(t *testing.T) {
	if got := string(AppendCRC(nil, []byte("123456789"))); got != "123456789 cbf43926" {
		t.Errorf("got %q", got)
	}
	if text, err := cutCRC([]byte("123456789 CBF43926")); err != nil || string(text) != "123456789" {
		t.Errorf("got %q, %v", text, err)
	}
}

func TestDecodeCRC(t *testing.T) {
	object := []byte(`{"type":"end","time_s":900}`)
	line := AppendCRC(nil, object)
	e, err := Decode(append(line, "\r\n"...))
	if err != nil || e.Body != (End{TimeS: 900}) || !bytes.Equal(e.Raw, object) {
		t.Fatalf("got %+v, %v", e, err)
	}
	// CRC-32 finds every single wrong bit.
	for i := range object {
		for bit := range 8 {
			bad := bytes.Clone(line)
			bad[i] ^= 1 << bit
			if _, err := Decode(bad); err == nil {
				t.Fatalf("bit %d of byte %d flipped: %q was accepted", bit, i, bad)
			}
		}
	}
	bad := fmt.Sprintf("%s %08x", object, ^crc32.ChecksumIEEE(object))
	if _, err := Decode([]byte(bad)); !errors.Is(err, ErrCRC) {
		t.Errorf("got %v", err)
	}
}

// A pixel that says nothing goes out as null and comes back as NaN.
func TestNullPixels(t *testing.T) {
	line, err := Append(nil, Spectrum{TimeS: 1, Channel: "v", Reflectance: Values{0.5, math.NaN(), math.Inf(1), 1e-9, 1e300}})
	if err != nil || !json.Valid(line) {
		t.Fatalf("%s, %v", line, err)
	}
	e, err := Decode(line)
	if err != nil {
		t.Fatal(err)
	}
	r := e.Body.(Spectrum).Reflectance
	if r[0] != 0.5 || !math.IsNaN(r[1]) || !math.IsNaN(r[2]) || r[3] != 1e-9 || r[4] != 1e300 {
		t.Errorf("got %v from %s", r, line)
	}
}

func TestAppendRefusesNaNTime(t *testing.T) {
	if line, err := Append(nil, End{TimeS: math.NaN()}); err == nil {
		t.Errorf("got %s", line)
	}
}

func TestRoundTrip(t *testing.T) {
	bodies := []Body{
		Run{Format: 1, Job: "j", Started: time.Date(2026, 3, 2, 8, 0, 0, 5e8, time.UTC), Channels: map[string]Channel{"nir": {WavelengthNM: Values{1300.25, 1299}}}, Sites: map[string][2]float64{"c": {1, 2}}},
		Run{Format: 1},
		Setup{TOML: "a = \"\u2028\"\n"},
		Dark{TimeS: 1e-7, Channel: "v", Counts: Values{0, 1, 65535}},
		Reference{TimeS: 1, Channel: "v", Material: "Si", Counts: Values{0.1}},
		Process{TimeS: 3, Contact: ptr(true), ForceN: ptr(0.0), PadMM: ptr(3.0), SpeedMS: ptr(0.25)},
		Spectrum{TimeS: 3, Channel: "v", Site: "ne", Counts: Values{1, 2}},
		Note{TimeS: 1, Text: "<µ> \x1b[31m"},
		End{TimeS: 9},
		Truth{TimeS: 1, Site: "c", ThicknessUM: 2},
		Estimate{TimeS: 1, Site: "c", Channel: "v", ThicknessUM: ptr(1.0), SDUM: ptr(2.0), SpreadUM: ptr(3.0), EdgeNM: ptr(4.0), Quality: "good"},
		Forecast{TimeS: 1, Site: "c", RateUMMin: ptr(1.0), RateSDUMMin: ptr(2.0), ThicknessUM: ptr(3.0), SDUM: ptr(4.0), ToTargetS: &Interval{P05: ptr(1.0)}},
		Advice{TimeS: 1, Advice: "stop", Rule: "r", Reason: "x", ThinnestUM: ptr(1.0), Site: "c"},
	}
	for _, want := range bodies {
		line, err := Append(nil, want)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Decode(AppendCRC(nil, line))
		if err != nil || !reflect.DeepEqual(got.Body, want) {
			t.Errorf("%s:\n got %#v, %v\nwant %#v", line, got.Body, err, want)
		}
		_, timed := got.Time()
		if _, untimed := map[string]bool{"run": true, "setup": true}[got.Type]; timed == untimed {
			t.Errorf("%s: Time says %v", got.Type, timed)
		}
	}
}

func TestWavelengths(t *testing.T) {
	inf := math.Inf(1)
	tests := []struct {
		channel Channel
		want    []float64 // nil: an error
	}{
		{Channel{WavelengthNM: Values{400, 500}}, []float64{400, 500}},
		{Channel{WavelengthNM: Values{500, 400}, Pixels: 2}, []float64{500, 400}},
		{Channel{WavelengthNM: Values{400}}, []float64{400}},
		{Channel{WavelengthPoly: Values{400, 2, 0.5}, Pixels: 3}, []float64{400, 402.5, 406}},
		{Channel{WavelengthPoly: Values{400, -1}, Pixels: 2}, []float64{400, 399}},
		{Channel{}, nil},
		{Channel{Pixels: 4}, nil},
		{Channel{WavelengthNM: Values{400, 400}}, nil},
		{Channel{WavelengthNM: Values{400, 500, 450}}, nil},
		{Channel{WavelengthNM: Values{0, 1}}, nil},
		{Channel{WavelengthNM: Values{1, inf}}, nil},
		{Channel{WavelengthNM: Values{1, math.NaN()}}, nil},
		{Channel{WavelengthNM: Values{400, 500}, Pixels: 3}, nil},
		{Channel{WavelengthNM: Values{400}, WavelengthPoly: Values{400}}, nil},
		{Channel{WavelengthPoly: Values{400, 1}}, nil},
		{Channel{WavelengthPoly: Values{400, 1}, Pixels: MaxPixels + 1}, nil},
		{Channel{WavelengthPoly: Values{400, 1e300, 1e308}, Pixels: 100}, nil},
		{Channel{WavelengthPoly: make(Values, 17), Pixels: 100}, nil},
		{Channel{WavelengthNM: make(Values, MaxPixels+1)}, nil},
	}
	for _, tt := range tests {
		got, err := tt.channel.Wavelengths()
		if (err != nil) != (tt.want == nil) || !reflect.DeepEqual(got, tt.want) {
			t.Errorf("%.80v: got %v, %v", tt.channel, got, err)
		}
	}
}

func TestSiteName(t *testing.T) {
	if got := (Spectrum{}).SiteName(); got != "c" {
		t.Errorf("got %q", got)
	}
	if got := (Spectrum{Site: "ne"}).SiteName(); got != "ne" {
		t.Errorf("got %q", got)
	}
}

func TestClean(t *testing.T) {
	tests := []struct{ in, want string }{
		{"plain µm Å → 日本", "plain µm Å → 日本"},
		{"\x1b[2Jgone", "\uFFFD[2Jgone"},
		{"a\r\nb\tc\u00a0d", "a  b c d"},
		{"\u009b31m", "\uFFFD31m"},
		{"abc\u202egpj.exe", "abc\uFFFDgpj.exe"},
		{"\xff\xfe", "\uFFFD\uFFFD"},
		{"⚠\ufe0f", "⚠"},
		{"e" + strings.Repeat("\u0301", 50), "e\u0301\u0301"},
		{strings.Repeat("x", 200), strings.Repeat("x", 200)},
		{strings.Repeat("ä", 201), strings.Repeat("ä", 199) + "…"},
	}
	for _, tt := range tests {
		if got := Clean(tt.in); got != tt.want {
			t.Errorf("%q: got %q, want %q", tt.in, got, tt.want)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, seed := range []string{
		`{"type":"run","format":1,"channels":{"vis":{"wavelength_poly":[400,0.5],"pixels":3}},"sites":{"c":[0,0]}}`,
		`{"type":"spectrum","time_s":12.5,"channel":"vis","counts":[1,null,2e3]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","reflectance":[0.1]} 00000000`,
		string(AppendCRC(nil, []byte(`{"type":"end","time_s":900}`))),
		`{"type":"forecast","time_s":1,"to_target_s":{"p05":1}}`,
		`{"type":"process","time_s":1,"contact":true,"force_n":1.4}`,
		"{\"ty\\u0070e\":\"no\\\\te\",\"text\":\"}\\\"\"}", "{", "\"", "{\"", "[", " ", "{}",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		e, err := Decode(line)
		if err != nil {
			if strings.ContainsFunc(err.Error(), func(r rune) bool { return r < ' ' || r == 0x7f || (r >= 0x80 && r < 0xa0) }) {
				t.Fatalf("control character in %q", err)
			}
			return
		}
		if !json.Valid(e.Raw) {
			t.Fatalf("Raw is no JSON: %q", e.Raw)
		}
		if e.Body == nil {
			return
		}
		// What was read can be written, and reads the same.
		out, err := Append(nil, e.Body)
		if err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		again, err := Decode(out)
		if err != nil {
			t.Fatalf("%q became %q: %v", line, out, err)
		}
		if twice, _ := Append(nil, again.Body); !bytes.Equal(out, twice) {
			t.Fatalf("%q, then %q", out, twice)
		}
	})
}

// FuzzClean: nothing that a terminal would obey comes through, whatever goes in.
func FuzzClean(f *testing.F) {
	f.Add("\x1b]0;title\x07\u202e\u0301")
	f.Fuzz(func(t *testing.T, text string) {
		got := Clean(text)
		if n := len([]rune(got)); n > MaxCleanRunes {
			t.Fatalf("%d runes", n)
		}
		if Clean(got) != got {
			t.Fatalf("%q is not settled", got)
		}
		for _, r := range got {
			if r < ' ' || (r >= 0x7f && r < 0xa0) || (r >= 0x202a && r <= 0x202e) || (r >= 0x2066 && r <= 0x2069) {
				t.Fatalf("%q holds %U", got, r)
			}
		}
	})
}
