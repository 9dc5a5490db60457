package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"

	"bluefringe/device/event"
	"bluefringe/device/lessons"
	"bluefringe/removal/lesson"

	"github.com/spf13/cobra"
)

// trainFlags are the settings of a lesson.
type trainFlags struct {
	folder     string // of a lab's own lessons
	speed      float64
	assistance string
	seed       uint64
	script     string
	json       bool
	trainee    string
	rates      rateFlag
	screen     screenOptions
}

func newTrain(st streams) *cobra.Command {
	var t trainFlags
	cmd := &cobra.Command{
		Use:   "train [LESSON]",
		Short: "Learn when to stop, on dies that cost nothing",
		Long: `Learn when to stop, on simulated dies with a hidden truth. Without a lesson, list them;
with the name or number of one, run it live on the screen of watch: lift, wipe and look,
polish on, change the force, and stop when you think it right. Then the truth is told.

Every die is another one, drawn within the lesson, unless --seed names it. --assistance
says what is shown: full, fringes (spectrum and visibility, no number) or blind (spells
without sight). The advice allows for your reaction at the speed chosen; at a high speed
that is a large piece of silicon.

A script runs without a screen, as fast as possible. Each line is a time in seconds and
lift, look, reference, polish, force with newtons, or stop; # begins a remark:

  12.5 lift
  12.5 look        # wipe die and window: what veils the view goes away
  19 polish
  40 force 0.8
  55 stop

Attempts and scores are kept in the file of the rate book, on this machine only; a run that
is left with the pad down once is an attempt too. All dies are invented. ` + caution,
		Example: `  bluefringe train
  bluefringe train clean
  bluefringe train 4 --speed 5 --assistance fringes --trainee Wren
  bluefringe train slurry --seed 7 --script stop.txt --json
  bluefringe train progress`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := t.named(); err != nil {
				return err
			}
			list, err := t.lessons()
			if err != nil {
				return err
			}
			if len(args) == 0 {
				return t.list(cmd.Context(), st, list)
			}
			chosen, err := findLesson(list, args[0])
			if err != nil {
				return err
			}
			if !cmd.Flags().Changed("seed") {
				t.seed = rand.Uint64N(1e6)
			}
			return t.attempt(cmd.Context(), st, chosen)
		},
	}
	f := cmd.Flags()
	f.StringVar(&t.folder, "lessons", "", "`folder` with lesson files (TOML) of your own, in place of the built-in ones")
	f.Float64Var(&t.speed, "speed", 1, "run seconds per second on the screen, 1 to 20")
	f.StringVar(&t.assistance, "assistance", "", "full, fringes or blind (default: the lesson's)")
	f.Uint64Var(&t.seed, "seed", 0, "number of the die (default: another one each time)")
	f.StringVar(&t.script, "script", "", "`file` of timed actions, in place of the screen")
	f.BoolVar(&t.json, "json", false, "write results as JSON lines")
	cmd.PersistentFlags().StringVar(&t.trainee, "trainee", "trainee", "whose attempt it is, any `name`")
	f.BoolVar(&t.screen.light, "light", false, "colours for a light background (default: the terminal is asked)")
	f.BoolVar(&t.screen.dark, "dark", false, "colours for a dark background")
	f.BoolVar(&t.screen.contrast, "contrast", false, "black and white with the urgent inverse")
	f.BoolVar(&t.screen.ascii, "ascii", false, "draw with ASCII characters only")
	f.BoolVar(&t.screen.quiet, "quiet", false, "no bell at a stop")
	cmd.PersistentFlags().StringVar(&t.rates.path, "rates", "", "`file` of the rate book, which keeps the attempts, or none (default: in the user's data folder)")
	cmd.MarkFlagsMutuallyExclusive("light", "dark")
	cmd.AddCommand(newTrainProgress(st, &t))
	return cmd
}

// named tells where the trainee has no name.
func (t *trainFlags) named() error {
	if strings.TrimSpace(event.Clean(t.trainee)) == "" {
		return usage(errors.New("--trainee: found no name: any text is allowed"))
	}
	return nil
}

func (t *trainFlags) lessons() ([]lessons.Lesson, error) {
	if t.folder == "" {
		return lessons.Embedded()
	}
	list, err := lessons.Folder(t.folder)
	if err != nil {
		return nil, usage(err)
	}
	return list, nil
}

// findLesson finds a lesson by name or number.
func findLesson(list []lessons.Lesson, word string) (lessons.Lesson, error) {
	number, err := strconv.Atoi(word)
	i := slices.IndexFunc(list, func(l lessons.Lesson) bool {
		return err == nil && l.Number == number || strings.EqualFold(l.Name, word)
	})
	if i >= 0 {
		return list[i], nil
	}
	names := make([]string, len(list))
	for i, l := range list {
		names[i] = l.Name
	}
	return lessons.Lesson{}, usage(fmt.Errorf("no lesson %q: allowed are %s, or their numbers", event.Clean(word), strings.Join(names, ", ")))
}

// attempt runs a lesson, tells the truth and keeps the score.
func (t *trainFlags) attempt(ctx context.Context, st streams, l lessons.Lesson) error {
	if t.assistance == "" {
		t.assistance = l.Assistance
	}
	switch {
	case !slices.Contains(lessons.Assistances(), t.assistance):
		return usage(fmt.Errorf("--assistance: found %q: one of %s is allowed", event.Clean(t.assistance), strings.Join(lessons.Assistances(), ", ")))
	case !(t.speed >= 1 && t.speed <= 20):
		return usage(fmt.Errorf("--speed: found %g: 1 to 20 is allowed", t.speed))
	case t.script == "" && !(isTerminal(st.out) && isTerminal(st.in)):
		return usage(errors.New("a lesson needs a terminal, or --script"))
	}
	if t.script != "" {
		t.speed = 1
	}
	b, err := newTrainBench(l, t.seed, t.assistance, t.speed)
	if err != nil { // a lab's own lesson may ask for what is no die
		return usage(fmt.Errorf("lesson %s, die %d: %w", l.Name, t.seed, err))
	}
	own, err := t.work(ctx, st, b)
	ctx = context.WithoutCancel(ctx) // what was done is told and kept
	switch {
	case err != nil:
		return err
	case own == nil:
		t.leave(ctx, st, b)
		return nil
	}
	// What the advice would have done, on the same die.
	other, err := newTrainBench(l, t.seed, t.assistance, t.speed)
	if err != nil {
		return err
	}
	advised, err := play(ctx, other, other.advised(), nil)
	if err != nil {
		return err
	}
	d := told{lesson: l, flags: t, run: own, debrief: lesson.NewDebrief(own, advised)}
	a := t.attempted(b, d.debrief.Landing.ThinnestUM)
	a.Passed, a.Score, a.LostS, a.Fault = d.debrief.Passed, d.debrief.Score, *number(d.debrief.LostS, decimalsS), d.debrief.Fault
	kept := t.keep(ctx, a)
	if t.json {
		err = d.writeJSON(st.out)
	} else {
		_, err = io.WriteString(st.out, d.text(t.screen.ascii))
	}
	fmt.Fprintf(st.err, "bluefringe: %s\n", kept)
	return err
}

// leave keeps an attempt that was left before its end, unless the pad was never on the die.
func (t *trainFlags) leave(ctx context.Context, st streams, b *trainBench) {
	if b.doneS < b.lesson.ContactS {
		fmt.Fprintln(st.err, "bluefringe: left before the pad came down: no attempt")
		return
	}
	a := t.attempted(b, b.run.Moments[len(b.run.Moments)-1].ThinnestUM)
	a.Fault = left
	fmt.Fprintf(st.err, "bluefringe: left before the end, which is not passed: %s\nbluefringe: the same die again: %s\n", t.keep(ctx, a), t.again(b.lesson))
}

// again is the command that gives the same die.
func (t *trainFlags) again(l lessons.Lesson) string {
	line := fmt.Sprintf("bluefringe train %s --seed %d --assistance %s", l.Name, t.seed, t.assistance)
	if t.folder != "" {
		line += " --lessons " + strconv.Quote(event.Clean(t.folder))
	}
	return line
}

// work lets the trainee work, by a script or on the screen; nil: he left before the end.
func (t *trainFlags) work(ctx context.Context, st streams, b *trainBench) (*lesson.Run, error) {
	if t.script == "" {
		return t.onScreen(ctx, st, b)
	}
	const most = 1 << 20
	file, err := os.Open(t.script)
	if err != nil {
		return nil, usage(fmt.Errorf("--script: %w", err))
	}
	defer file.Close()
	text, err := io.ReadAll(io.LimitReader(file, most+1))
	switch {
	case err != nil:
		return nil, usage(fmt.Errorf("--script: %w", err))
	case len(text) > most:
		return nil, usage(fmt.Errorf("%s: found more than %d bytes: no script is that long", event.Clean(t.script), most))
	}
	actions, err := lesson.ParseScript(string(text))
	if err != nil {
		return nil, usage(fmt.Errorf("%s: %w", event.Clean(t.script), err))
	}
	run, err := play(ctx, b, &scripted{actions}, nil)
	var refused *lesson.RefusedError
	if errors.As(err, &refused) {
		return nil, usage(fmt.Errorf("%s: %w", event.Clean(t.script), err))
	}
	return run, err
}

// list lists the lessons with the best score of the trainee.
func (t *trainFlags) list(ctx context.Context, st streams, list []lessons.Lesson) error {
	attempts, err := t.attempts(ctx, t.trainee)
	if err != nil { // the lessons are there all the same
		fmt.Fprintf(st.err, "bluefringe: no scores: %s\n", event.Clean(err.Error()))
	}
	best := bestScores(attempts)
	if t.json {
		return writeLessons(st.out, list, best)
	}
	_, err = io.WriteString(st.out, lessonTable(list, best))
	fmt.Fprintln(st.err, "bluefringe: train NAME or NUMBER runs one; all dies are invented")
	return err
}
