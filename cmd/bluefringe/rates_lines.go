package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"bluefringe/device/ratebook"

	"github.com/charmbracelet/x/ansi"
)

// rateLine is a run of the rate book as a line; what is not known is left out.
type rateLine struct {
	Type         string    `json:"type"`
	ID           int64     `json:"id"`
	When         time.Time `json:"when"`
	Job          string    `json:"job,omitempty"`
	Material     string    `json:"material,omitempty"`
	Pad          string    `json:"pad,omitempty"`
	PadMM        *float64  `json:"pad_mm,omitempty"`
	Slurry       string    `json:"slurry,omitempty"`
	ForceN       *float64  `json:"force_n,omitempty"`
	PressurePa   *float64  `json:"pressure_pa,omitempty"`
	SpeedMS      *float64  `json:"speed_m_s,omitempty"`
	PrestonPerPa float64   `json:"preston_per_pa"`
	PrestonRelSD float64   `json:"preston_rel_sd"`
	GlazingS     *float64  `json:"glazing_s,omitempty"`
	RemovedUM    *float64  `json:"removed_um,omitempty"`
	PolishedS    *float64  `json:"polished_s,omitempty"`
	Checksum     string    `json:"checksum"`
	Note         string    `json:"note,omitempty"`
}

func writeRates(w io.Writer, runs []ratebook.Run) error {
	const decimals = 9
	out := json.NewEncoder(w)
	for _, r := range runs {
		if err := out.Encode(rateLine{
			Type: "rate", ID: r.ID, When: r.When, Job: r.Job, Material: r.Material, Pad: r.Pad, PadMM: number(r.PadMM, decimals),
			Slurry: r.Slurry, ForceN: number(r.ForceN, decimals), PressurePa: number(r.PressurePa, decimals),
			SpeedMS: number(r.SpeedMS, decimals), PrestonPerPa: r.PrestonPerPa, PrestonRelSD: r.PrestonRelSD,
			GlazingS: number(r.GlazingS, decimals), RemovedUM: number(r.RemovedUM, decimals), PolishedS: number(r.PolishedS, decimals),
			Checksum: r.Checksum, Note: r.Note,
		}); err != nil {
			return err
		}
	}
	return nil
}

// writeRatesCSV writes comma-separated values with lines ended by CR LF (RFC 4180).
func writeRatesCSV(w io.Writer, runs []ratebook.Run) error {
	out := csv.NewWriter(w)
	out.UseCRLF = true
	out.Write([]string{"id", "when", "job", "material", "pad", "pad_mm", "slurry", "force_n", "pressure_pa", "speed_m_s",
		"preston_per_pa", "preston_rel_sd", "glazing_s", "removed_um", "polished_s", "checksum", "note"})
	for _, r := range runs {
		out.Write([]string{strconv.FormatInt(r.ID, 10), r.When.Format(time.RFC3339), sheetText(r.Job), sheetText(r.Material),
			sheetText(r.Pad), plainNumber(r.PadMM, -1), sheetText(r.Slurry), plainNumber(r.ForceN, -1), plainNumber(r.PressurePa, -1),
			plainNumber(r.SpeedMS, -1), plainNumber(r.PrestonPerPa, -1), plainNumber(r.PrestonRelSD, -1), plainNumber(r.GlazingS, -1),
			plainNumber(r.RemovedUM, -1), plainNumber(r.PolishedS, -1), r.Checksum, sheetText(r.Note)})
	}
	out.Flush()
	return out.Error() // of any of the writes
}

// sheetText keeps a spreadsheet from taking text for a formula, also where it reads
// wide characters as the plain ones: an apostrophe before it makes it text. (Common
// practice, no source.)
func sheetText(text string) string {
	first, _ := utf8.DecodeRuneInString(text)
	if strings.ContainsRune("=+-@\t\r\n＝＋－＠", first) {
		return "'" + text
	}
	return text
}

// plainNumber has so many significant digits, as many as needed for -1, and is empty for NaN.
func plainNumber(v float64, digits int) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', digits, 64)
}

// rateTable is a table for people; a column that no run fills is left out.
func rateTable(runs []ratebook.Run) string {
	if len(runs) == 0 {
		return ""
	}
	const widest = 18
	text := func(s string) string { return ansi.Truncate(s, widest, "…") }
	rows := [][]string{{"id", "began", "job", "material", "pad", "pad mm", "slurry", "kPa", "m/s", "Kp 1/Pa", "± %", "removed um", "polished s", "glazing s"}}
	for _, r := range runs {
		rows = append(rows, []string{
			strconv.FormatInt(r.ID, 10), r.When.Local().Format(time.DateOnly), text(r.Job), text(r.Material), text(r.Pad),
			plainNumber(r.PadMM, 3), text(r.Slurry), plainNumber(r.PressurePa/1000, 3), plainNumber(r.SpeedMS, 3),
			fmt.Sprintf("%.2e", r.PrestonPerPa), plainNumber(100*r.PrestonRelSD, 2), plainNumber(r.RemovedUM, 3),
			plainNumber(r.PolishedS, 3), plainNumber(r.GlazingS, 3),
		})
	}
	lines := make([]strings.Builder, len(rows))
	for column, title := range rows[0] {
		width, filled := ansi.StringWidth(title), false
		for _, row := range rows[1:] {
			width, filled = max(width, ansi.StringWidth(row[column])), filled || row[column] != ""
		}
		if !filled {
			continue
		}
		words := slices.Contains([]string{"began", "job", "material", "pad", "slurry"}, title)
		for i, row := range rows {
			padding := strings.Repeat(" ", width-ansi.StringWidth(row[column]))
			if words {
				lines[i].WriteString(row[column] + padding + "  ")
			} else {
				lines[i].WriteString(padding + row[column] + "  ")
			}
		}
	}
	var out strings.Builder
	for i := range lines {
		out.WriteString(strings.TrimRight(lines[i].String(), " ") + "\n")
	}
	return out.String()
}

func runCount(n int) string {
	if n == 1 {
		return "1 run"
	}
	return fmt.Sprintf("%d runs", n)
}
