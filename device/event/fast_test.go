package event

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"
)

// fastLines are spectra in many forms, right and wrong.
func fastLines() []string {
	return []string{
		`{"type":"spectrum","time_s":12.5,"channel":"vis","site":"ne","counts":[1,20000,-3.5,0,-0,0.25,12345678901234567890,9007199254740993,1e3,2E-5,1.7976931348623157e308]}`,
		`{"type":"spectrum","time_s":12.5,"channel":"vis","reflectance":[0.31234567890123456,0.1,4.9e-324,null,123456.789e-3,0.00000000000000000000000001]}`,
		`{"type":"spectrum" , "channel" : "vis" , "time_s" : 1 , "exposure_ms" : 20 , "lamp" : "on" , "ok" : true , "x" : null , "counts" : [ 1 , null , 3 ] } ` + "\t",
		`{"type":"spectrum","time_s":1,"channel":"vis","integration_ms":12.5,"counts":[1,2]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","integration_ms":0,"counts":[1]}`, `{"type":"spectrum","time_s":1,"channel":"vis","integration_ms":null,"counts":[1]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","integration_ms":3.7e6,"counts":[1]}`, `{"type":"spectrum","time_s":1,"channel":"vis","integration_ms":"5","counts":[1]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","integration_ms":5,"integration_ms":5,"counts":[1]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[01]}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[1.]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[.5]}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[1e]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[+1]}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[1,]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1 2]}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1e999]}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[nul]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1],"counts":[1]}`, `{"type":"spectrum","time_s":1,"time_s":1,"channel":"vis","counts":[1]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","a":1,"a":2,"counts":[1]}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[1],"site":""}`,
		`{"type":"spectrum","time_s":1,"channel":"v\u0069s","counts":[1]}`, `{"type":"spectrum","time_s":1,"channel":"µ","counts":[1]}`,
		`{"type":"spectrum","time_s":1,"channel":"","counts":[1]}`, `{"type":"spectrum","time_s":null,"channel":"vis","counts":[1]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1],"reflectance":[1]}`, `{"type":"spectrum","time_s":1,"channel":"vis"}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1],"reflectance":null}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[[1]]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1],"more":{"a":[1]}}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[1]} x`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1],"a":"0}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1],}`, `{"type":"spectrum","time_s":1,"channel":"vis","counts":[1]`, `{"type":"spectrum"`,
		`{"type":"spectrum","time_s":1,"channel":"` + strings.Repeat("v", MaxNameBytes) + `","counts":[1]}`,
		`{"type":"spectrum","time_s":1,"channel":"` + strings.Repeat("v", MaxNameBytes+1) + `","counts":[1]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis","counts":[` + strings.Repeat("1,", MaxPixels) + `1]}`,
		`{"type":"spectrum","time_s":1,"channel":"vis"` + strings.Repeat(`,"a":1`, 9) + `,"counts":[1]}`,
	}
}

// sameAsSlow checks that the quick way reads a line as the thorough one does.
func sameAsSlow(t *testing.T, d *Decoder, line []byte) {
	t.Helper()
	got, ok := d.spectrum(line)
	if !ok {
		return
	}
	e, err := decodeObject(line)
	if err != nil {
		t.Fatalf("%.200q: accepted, though %v", line, err)
	}
	want := e.Body.(Spectrum)
	if got.TimeS != want.TimeS || got.Channel != want.Channel || got.Site != want.Site || got.IntegrationMS != want.IntegrationMS ||
		!sameBits(got.Counts, want.Counts) || !sameBits(got.Reflectance, want.Reflectance) {
		t.Fatalf("%.200q:\n got %.200v\nwant %.200v", line, got, want)
	}
	// And both as encoding/json does.
	var std struct {
		TimeS               float64 `json:"time_s"`
		Counts, Reflectance []*float64
	}
	if err := json.Unmarshal(line, &std); err != nil {
		t.Fatalf("%.200q: encoding/json: %v", line, err)
	}
	for _, pair := range []struct {
		got Values
		std []*float64
	}{{got.Counts, std.Counts}, {got.Reflectance, std.Reflectance}} {
		if len(pair.got) != len(pair.std) {
			continue // encoding/json takes names in any case
		}
		for i, v := range pair.std {
			if v == nil != math.IsNaN(pair.got[i]) || v != nil && math.Float64bits(*v) != math.Float64bits(pair.got[i]) {
				t.Fatalf("%.200q: value %d is %g", line, i, pair.got[i])
			}
		}
	}
}

func sameBits(a, b Values) bool {
	return (a == nil) == (b == nil) && len(a) == len(b) && reflect.DeepEqual(bits(a), bits(b))
}

func bits(v Values) []uint64 {
	out := make([]uint64, len(v))
	for i, x := range v {
		if out[i] = math.Float64bits(x); math.IsNaN(x) {
			out[i] = math.Float64bits(math.NaN())
		}
	}
	return out
}

func TestFast(t *testing.T) {
	var d Decoder
	quick := 0
	for _, line := range fastLines() {
		sameAsSlow(t, &d, []byte(line))
		if _, ok := d.spectrum([]byte(line)); ok {
			quick++
		}
		got, err := d.Decode([]byte(line))
		want, wantErr := decodeObject(bytes.TrimRight([]byte(line), "\r\n"))
		if (err == nil) != (wantErr == nil) || err != nil && err.Error() != wantErr.Error() || got.Type != want.Type {
			t.Errorf("%.100s: %v, want %v", line, err, wantErr)
		}
	}
	// The usual forms must not silently take the long way.
	if quick != 5 {
		t.Errorf("%d of the lines were read the quick way", quick)
	}
}

// Spectra share no values, though they are cut from one piece.
func TestDecoderSharesNothing(t *testing.T) {
	var d Decoder
	var all []Spectrum
	line := []byte(`{"type":"spectrum","time_s":1,"channel":"vis","counts":[1,2,3]}`)
	for range 3 * spectrumsTogether {
		e, err := d.Decode(line)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, e.Body.(Spectrum))
	}
	clear(line)
	for i, s := range all {
		if !reflect.DeepEqual(s.Counts, Values{1, 2, 3}) || s.Channel != "vis" {
			t.Fatalf("spectrum %d: %v", i, s)
		}
		s.Counts[0], s.Counts[2] = 7, 9
		_ = append(s.Counts, 8) // must not reach into the next
	}
	for i, s := range all {
		if !reflect.DeepEqual(s.Counts, Values{7, 2, 9}) {
			t.Fatalf("spectrum %d became %v", i, s.Counts)
		}
	}
}

func FuzzFast(f *testing.F) {
	for _, line := range fastLines() {
		if len(line) < 1000 {
			f.Add([]byte(line))
			f.Add([]byte(strings.TrimPrefix(line, `{"type":"spectrum"`)))
		}
	}
	f.Fuzz(func(t *testing.T, line []byte) {
		var d Decoder
		sameAsSlow(t, &d, line)
		sameAsSlow(t, &d, append([]byte(`{"type":"spectrum"`), line...))
	})
}

// BenchmarkDecode reads spectra in a stream; encoding_json is that package alone on the same
// lines, for comparison.
func BenchmarkDecode(b *testing.B) {
	series := func(pixels int, value func(x float64) float64) Values {
		v := make(Values, pixels)
		for i := range v {
			v[i] = value(float64(i) / 20)
		}
		return v
	}
	counts := func(x float64) float64 { return math.Round(30000 + 20000*math.Sin(x)) }
	for _, bb := range []struct {
		name string
		body Body
	}{
		{"counts1024", Spectrum{TimeS: 12.5, Channel: "vis", Site: "ne", Counts: series(1024, counts)}},
		{"counts2048", Spectrum{TimeS: 12.5, Channel: "vis", Site: "ne", Counts: series(2048, counts)}},
		{"reflectance1024", Spectrum{TimeS: 12.5, Channel: "vis", Reflectance: series(1024, func(x float64) float64 { return 0.3 + 0.1*math.Sin(x) })}},
		{"fivedigits1024", Spectrum{TimeS: 12.5, Channel: "vis", Reflectance: series(1024, func(x float64) float64 { return math.Round(1e5*(0.3+0.1*math.Sin(x))) / 1e5 })}},
	} {
		object, err := Append(nil, bb.body)
		if err != nil {
			b.Fatal(err)
		}
		line := AppendCRC(nil, object)
		b.Run("event/"+bb.name, func(b *testing.B) {
			b.SetBytes(int64(len(line)))
			b.ReportAllocs()
			var d Decoder
			for b.Loop() {
				if _, err := d.Decode(line); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run("encoding_json/"+bb.name, func(b *testing.B) {
			b.SetBytes(int64(len(object)))
			b.ReportAllocs()
			for b.Loop() {
				var s struct {
					Type, Channel, Site string
					TimeS               float64 `json:"time_s"`
					Counts, Reflectance []float64
				}
				if err := json.Unmarshal(object, &s); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
