// Package terminal asks what a screen must know of a terminal before it is taken
// over, and hands text to its clipboard.
package terminal

import (
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/charmbracelet/x/ansi"
)

// Background is the colour behind the text.
type Background int

// What is known of a background.
const (
	Unknown Background = iota
	Dark
	Light
)

// Wait is how long Ask waits for a terminal at this computer, and WaitRemote for
// one at the far end of a network.
const (
	Wait       = 200 * time.Millisecond
	WaitRemote = 800 * time.Millisecond
)

// FromEnvironment reads the background from COLORFGBG, which some terminals set to
// the numbers of the text and the background colour ("15;0").
func FromEnvironment(getenv func(string) string) Background {
	fields := strings.Split(getenv("COLORFGBG"), ";")
	n, err := strconv.Atoi(fields[len(fields)-1])
	switch {
	case err != nil || len(fields) < 2 || n < 0 || n > 15:
		return Unknown
	case n == 7 || n > 8: // white and the bright colours
		return Light
	}
	return Dark
}

// Silent tells whether a terminal is known to answer no questions.
func Silent(getenv func(string) string) bool {
	name := getenv("TERM")
	return name == "" || name == "dumb" || name == "linux"
}

// parseAnswer reads the answer to the question for the background colour (OSC 11
// of the xterm control sequences): "]11;rgb:RRRR/GGGG/BBBB" with one to four
// hex digits a colour. done tells that the terminal has said all it will say:
// the answer to the question after it, for its attributes (DA1, ECMA-48), is there.
func parseAnswer(answer string) (b Background, done bool) {
	_, after, attributes := strings.Cut(answer, "\x1b[?")
	done = attributes && strings.Contains(after, "c")
	_, colour, ok := strings.Cut(answer, "]11;rgb:")
	if !ok {
		return Unknown, done
	}
	end := strings.IndexAny(colour, "\x1b\a")
	if end < 0 {
		return Unknown, done
	}
	parts := strings.Split(colour[:end], "/")
	if len(parts) != 3 {
		return Unknown, done
	}
	// Luma weights of ITU-R BT.709; half of white is the border.
	luma := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v, err := strconv.ParseUint(parts[i], 16, 16)
		if err != nil || len(parts[i]) > 4 {
			return Unknown, done
		}
		luma += weight * float64(v) / float64(uint64(1)<<(4*len(parts[i]))-1)
	}
	if luma > 0.5 {
		return Light, done
	}
	return Dark, done
}

// question asks for the background and then for the attributes, which every
// terminal that answers at all answers: so an old one need not be waited for.
const question = "\x1b]11;?\x1b\\" + "\x1b[c"

// clipboardLimit is what common terminals take in one OSC 52 sequence.
const clipboardLimit = 4096

// Copy asks the terminal to put text on its clipboard (OSC 52), which also works
// over a remote line. Whether it did nobody tells, so the answer says what is
// known: it is meant to be shown.
func Copy(w io.Writer, getenv func(string) string, text string) (said string) {
	if Silent(getenv) {
		return fmt.Sprintf("not copied: a terminal of type %q has no clipboard", getenv("TERM"))
	}
	if len(text) > clipboardLimit {
		return fmt.Sprintf("not copied: %d bytes are too much for the clipboard of a terminal", len(text))
	}
	if _, err := io.WriteString(w, ansi.SetSystemClipboard(text)); err != nil {
		return "not copied: " + err.Error()
	}
	switch {
	case getenv("TMUX") != "":
		return "sent to tmux, which passes it on only with: set -g set-clipboard on"
	case strings.HasPrefix(getenv("TERM"), "screen"):
		return "sent, but a multiplexer is between: paste to see whether it came through"
	}
	return "sent to the terminal's clipboard (OSC 52), which never confirms: paste to see"
}
