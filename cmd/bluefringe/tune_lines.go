package main

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"

	"bluefringe/device/event"
	"bluefringe/removal/tune"
)

// settingLine is a setting as a JSON line. A number that does not exist is left out.
type settingLine struct {
	Type   string             `json:"type"` // "setting"
	Rank   int                `json:"rank,omitempty"`
	Own    bool               `json:"own,omitempty"`
	Values map[string]float64 `json:"values"`
	summaryLine
	Cost95 *[2]float64 `json:"cost_95,omitempty"`
	// ToBest95 is the 95 % interval of its mean cost less that of the best.
	ToBest95 *[2]float64 `json:"to_best_95,omitempty"`
}

// summaryLine is what a setting made of the runs.
type summaryLine struct {
	Runs         int      `json:"runs"`
	Cost         *float64 `json:"cost,omitempty"`
	ErrorNM      *float64 `json:"error_nm,omitempty"`
	MeanNM       *float64 `json:"mean_nm,omitempty"`
	BelowFloor   int      `json:"below_floor"`
	FalseStops   int      `json:"false_stops"`
	NotReached   int      `json:"not_reached"`
	Extrapolated int      `json:"extrapolated"`
	LostMin      *float64 `json:"lost_min,omitempty"`
	WarnedS      *float64 `json:"warned_s,omitempty"`
	StopS        *float64 `json:"stop_s,omitempty"`
	TrackUM      *float64 `json:"track_um,omitempty"`
}

// tunedLine is the result as a JSON line.
type tunedLine struct {
	Type      string                 `json:"type"` // "tuned"
	Runs      int                    `json:"runs"`
	TunedOn   int                    `json:"tuned_on"`
	HeldBack  int                    `json:"held_back"`
	Settings  int                    `json:"settings"`
	Weights   map[string]float64     `json:"weights"`
	ReactionS float64                `json:"reaction_s"` // of the operators, median
	Best      map[string]float64     `json:"best,omitempty"`
	Values95  map[string][2]float64  `json:"values_95,omitempty"`
	Chosen    *float64               `json:"chosen_part,omitempty"`
	LessBy    *float64               `json:"less_than_own,omitempty"`
	LessBy95  *[2]float64            `json:"less_than_own_95,omitempty"`
	Equal     int                    `json:"not_told_from_best"`
	Held      map[string]heldOutcome `json:"held,omitempty"`
	Warnings  []string               `json:"warnings,omitempty"`
	TOML      string                 `json:"toml,omitempty"`
}

type heldOutcome struct {
	Mean float64    `json:"mean"`
	CI95 [2]float64 `json:"interval_95"`
}

const decimalsCost = 3

func (r *tuned) valuesLine(s tune.Setting) map[string]float64 {
	m := map[string]float64{}
	for j, a := range r.axes {
		m[a.Key] = s[j]
	}
	return m
}

func summaryOf(s tune.Summary) summaryLine {
	return summaryLine{
		Runs: s.Runs, Cost: number(s.Cost, decimalsCost), ErrorNM: number(s.AbsMissNM, 2), MeanNM: number(s.MissNM, 2),
		BelowFloor: s.Crossed, FalseStops: s.FalseStops, NotReached: s.Unreached, Extrapolated: s.Extrapolated,
		LostMin: number(s.LostMin, decimalsCost), WarnedS: number(s.WarnedS, decimalsS), StopS: number(s.StopS, decimalsS), TrackUM: number(s.TrackUM, decimalsUM),
	}
}

func pair(i tune.Interval) *[2]float64 {
	low, high := number(i.Low, decimalsCost), number(i.High, decimalsCost)
	if low == nil || high == nil {
		return nil
	}
	return &[2]float64{*low, *high}
}

// lines are all settings, the set-up's own first, then the cheapest first; without truth
// in the order of the grid.
func (r *tuned) lines() []settingLine {
	own := settingLine{Type: "setting", Own: true, Values: r.valuesLine(r.ownSetting), summaryLine: summaryOf(r.summary(r.own))}
	if r.choice == nil {
		list := []settingLine{own}
		for i, s := range r.settings {
			list = append(list, settingLine{Type: "setting", Values: r.valuesLine(s), summaryLine: summaryOf(r.summary(r.outcomes[i]))})
		}
		return list
	}
	own.Cost95, own.ToBest95 = pair(r.choice.OwnCost), pair(r.choice.OwnToBest)
	list := []settingLine{own}
	for k, i := range r.choice.Order {
		line := settingLine{Type: "setting", Rank: k + 1, Values: r.valuesLine(r.settings[i]), summaryLine: summaryOf(r.summary(r.outcomes[i]))}
		if k < len(r.choice.Cost) {
			line.Cost95, line.ToBest95 = pair(r.choice.Cost[k]), pair(r.choice.ToBest[k])
		}
		list = append(list, line)
	}
	return list
}

func (r *tuned) resultLine() tunedLine {
	line := tunedLine{Type: "tuned", Runs: len(r.runs), TunedOn: len(r.on), HeldBack: len(r.held), Settings: len(r.settings),
		Weights: r.weights.Map(), ReactionS: *number(median(r.reactions), decimalsS), Warnings: r.warnings()}
	c := r.choice
	if c == nil {
		return line
	}
	line.Best, line.TOML, line.Equal = r.valuesLine(r.settings[c.Best()]), r.paste(), c.Equal
	line.Values95 = map[string][2]float64{}
	for j, a := range r.axes {
		line.Values95[a.Key] = [2]float64{c.Values[j].Low, c.Values[j].High}
	}
	line.Chosen = number(c.ChosenPart, decimalsCost)
	line.LessBy = number(c.Own-r.cost(c.Best()), decimalsCost)
	line.LessBy95 = pair(c.OwnToBest)
	if h := r.heldBack; h != nil {
		line.Held = map[string]heldOutcome{}
		for name, v := range map[string]struct {
			mean float64
			i    tune.Interval
		}{"best": {h.best, h.bestInterval}, "own": {h.own, h.ownInterval}, "less_by": {h.lessBy, h.lessByInterval}} {
			if mean, ci := number(v.mean, decimalsCost), pair(v.i); mean != nil && ci != nil {
				line.Held[name] = heldOutcome{*mean, *ci}
			}
		}
	}
	return line
}

func (r *tuned) writeLines(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	for _, line := range r.lines() {
		if err := e.Encode(line); err != nil {
			return err
		}
	}
	return e.Encode(r.resultLine())
}

// writeCSV writes all settings (RFC 4180); a number that does not exist is empty.
func (r *tuned) writeCSV(w io.Writer) error {
	c := csv.NewWriter(w)
	header := append([]string{"rank"}, r.keys()...)
	c.Write(append(header, "runs", "cost", "cost_low", "cost_high", "to_best_low", "to_best_high", "error_nm", "mean_nm",
		"below_floor", "false_stops", "not_reached", "extrapolated", "lost_min", "warned_s", "stop_s", "track_um"))
	for _, l := range r.lines() {
		rank := strconv.Itoa(l.Rank)
		switch {
		case l.Own:
			rank = "set-up"
		case l.Rank == 0:
			rank = ""
		}
		row := []string{rank}
		for _, key := range r.keys() {
			row = append(row, number64(l.Values[key]))
		}
		row = append(row, strconv.Itoa(l.Runs), csvCell(l.Cost))
		for _, p := range []*[2]float64{l.Cost95, l.ToBest95} {
			if p == nil {
				row = append(row, "", "")
			} else {
				row = append(row, number64(p[0]), number64(p[1]))
			}
		}
		row = append(row, csvCell(l.ErrorNM), csvCell(l.MeanNM))
		for _, n := range []int{l.BelowFloor, l.FalseStops, l.NotReached, l.Extrapolated} {
			row = append(row, strconv.Itoa(n))
		}
		row = append(row, csvCell(l.LostMin), csvCell(l.WarnedS), csvCell(l.StopS), csvCell(l.TrackUM))
		c.Write(row)
	}
	c.Flush()
	return c.Error()
}

func csvCell(v *float64) string {
	if v == nil {
		return ""
	}
	return number64(*v)
}

// checkNewFile refuses a file that is there already, and the records themselves.
func checkNewFile(flag, path string, force bool, records []string) error {
	if path == "" {
		return nil
	}
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	} else if err != nil {
		return fmt.Errorf("%s: %w", flag, err)
	}
	for _, record := range records {
		if source, err := os.Stat(record); err == nil && os.SameFile(info, source) {
			return fmt.Errorf("%s: %s is one of the records", flag, event.Clean(path))
		}
	}
	if !force {
		return fmt.Errorf("%s: %s is there already: --force replaces it", flag, event.Clean(path))
	}
	return nil
}

// writeNewFile writes a file that is whole or as it was.
func writeNewFile(path string, force bool, write func(io.Writer) error) error {
	flags := os.O_WRONLY | os.O_CREATE | os.O_EXCL
	name := path
	if force {
		name = path + ".new"
		flags = os.O_WRONLY | os.O_CREATE | os.O_TRUNC
	}
	f, err := os.OpenFile(name, flags, 0o644)
	if err != nil {
		return err
	}
	err = errors.Join(write(f), f.Close())
	if err == nil && force {
		err = os.Rename(name, path)
	}
	if err != nil {
		os.Remove(name)
	}
	return err
}
