package jcamp

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// decodeLine decodes one line of ordinates behind the abscissa 0.
func decodeLine(line string) ([]float64, error) {
	y, _, err := ordinates([]dataLine{{1, "0 " + line}}, 1000)
	return y, err
}

func parseNumbers(t *testing.T, text string) []float64 {
	t.Helper()
	var out []float64
	for f := range strings.FieldsSeq(text) {
		v, err := strconv.ParseFloat(f, 64)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// The published vectors; the source stands at the head of the file.
func TestPublishedVectors(t *testing.T) {
	file, err := os.Open("testdata/asdf_vectors.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, row := range rows[1:] {
		want := parseNumbers(t, row[2])
		got, err := decodeLine(row[1])
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("%s %s:\n got %v, %v\nwant %v", row[0], row[1], got, err, want)
		}
	}
	if len(rows) < 12 {
		t.Errorf("found %d rows", len(rows))
	}
}

// squeeze writes whole numbers in SQZ, or in DIF and DUP, as sections 5.7 to 5.10 say.
func squeeze(v int, plus, minus string) string {
	digits := strconv.Itoa(v)
	set := plus
	if v < 0 {
		digits, set = digits[1:], minus
	}
	return string(set[digits[0]-'0']) + digits[1:]
}

const (
	sqzPlus, sqzMinus = "@ABCDEFGHI", "@abcdefghi"
	difPlus, difMinus = "%JKLMNOPQR", "%jklmnopqr"
	dupDigits         = " STUVWXYZs"
)

func encodeDifDup(y []int) string {
	out := squeeze(y[0], sqzPlus, sqzMinus)
	for i := 1; i < len(y); {
		d, n := y[i]-y[i-1], 1
		for i+n < len(y) && y[i+n]-y[i+n-1] == d {
			n++
		}
		out += squeeze(d, difPlus, difMinus)
		if n > 1 {
			count := strconv.Itoa(n)
			out += string(dupDigits[count[0]-'0']) + count[1:]
		}
		i += n
	}
	return out
}

// Random ordinates come back from every form and from lines with their check.
func TestRoundTrip(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 1))
	for trial := range 300 {
		y := make([]int, 2+rng.IntN(60))
		for i := range y {
			switch {
			case i > 0 && rng.IntN(3) == 0:
				y[i] = y[i-1]
			default:
				y[i] = rng.IntN(20001) - 10000
			}
		}
		want := make([]float64, len(y))
		var fix, pac, sqz []string
		for i, v := range y {
			want[i] = float64(v)
			fix = append(fix, fmt.Sprintf("%7d", v))
			pac = append(pac, fmt.Sprintf("%+d", v))
			sqz = append(sqz, squeeze(v, sqzPlus, sqzMinus))
		}
		for form, line := range map[string]string{
			"AFFN": strings.Join(fix, " "), "PAC": strings.Join(pac, ""), "SQZ": strings.Join(sqz, ""), "DIFDUP": encodeDifDup(y),
		} {
			got, err := decodeLine(line)
			if err != nil || !slices.Equal(got, want) {
				t.Fatalf("trial %d, %s %q:\n got %v, %v\nwant %v", trial, form, line, got, err, want)
			}
		}
		cut := 1 + rng.IntN(len(y)-1)
		lines := []dataLine{
			{1, "0" + encodeDifDup(y[:cut+1])},
			{2, fmt.Sprint(cut) + encodeDifDup(y[cut:])},
			{3, fmt.Sprint(len(y)-1) + squeeze(y[len(y)-1], sqzPlus, sqzMinus)},
		}
		if cut == len(y)-1 {
			lines = lines[:2] // the second holds only the check
		}
		got, _, err := ordinates(lines, 1000)
		if err != nil || !slices.Equal(got, want) {
			t.Fatalf("trial %d, lines %v:\n got %v, %v\nwant %v", trial, lines, got, err, want)
		}
	}
}

func TestUnknownOrdinate(t *testing.T) {
	got, err := decodeLine("1 ? 3")
	if err != nil || len(got) != 3 || !math.IsNaN(got[1]) {
		t.Errorf("got %v, %v", got, err)
	}
}

func TestBadLines(t *testing.T) {
	tests := []struct{ line, want string }{
		{"1 2 #", "begins no number"},
		{"S", "nothing before"},
		{"J1", "no ordinate before"},
		{"?J", "no ordinate before"},
		{"1Z999999999", "more than 1000"},
		{"", "no ordinates"},
		{"1.2.3", "no number"},
	}
	for _, tt := range tests {
		if got, err := decodeLine(tt.line); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%q: got %v, %v, want an error with %q", tt.line, got, err, tt.want)
		}
	}
}
