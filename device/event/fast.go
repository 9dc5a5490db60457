package event

import (
	"bytes"
	"math"
	"strconv"
)

// Decoder decodes the lines of one stream, faster than Decode for each: it keeps names
// that occur again, and room for the values of the next spectra. The zero value is
// ready; it is not safe for concurrent use.
type Decoder struct {
	room  []float64 // for spectra to come
	last  int       // values of the newest spectrum
	names []string  // channels and sites, the first mostNames
}

const mostNames = 64

// Decode reads one line as the function Decode does.
func (d *Decoder) Decode(line []byte) (Event, error) {
	object, err := unwrap(line)
	if err != nil {
		return Event{}, err
	}
	if s, ok := d.spectrum(object); ok {
		return Event{Raw: object, Type: "spectrum", Body: s}, nil
	}
	return decodeObject(object)
}

// spectrumsTogether is for how many spectra room is made at once, when two in a row were
// of one length: an allocation less for most, at the price that whoever keeps one
// keeps its neighbours.
const spectrumsTogether = 8

// spectrum reads a spectrum in the form that programs write, in one pass. What it
// does not know, and every fault, it leaves to decodeObject: it may only be quicker,
// never of another opinion. (FuzzFast holds one against the other.)
func (d *Decoder) spectrum(object []byte) (s Spectrum, ok bool) {
	const head = `{"type":"spectrum"`
	if !bytes.HasPrefix(object, []byte(head)) {
		return s, false
	}
	var (
		c         = cursor{object, len(head)}
		timed     bool
		others    [8][]byte // names that this program does not know
		otherSeen int
	)
	for {
		c.space()
		if c.take('}') {
			c.space()
			break
		}
		if !c.take(',') {
			return s, false
		}
		c.space()
		name, ok := c.word()
		if c.space(); !ok || !c.take(':') {
			return s, false
		}
		c.space()
		switch string(name) {
		case "type":
			return s, false // twice
		case "time_s":
			if timed {
				return s, false
			}
			s.TimeS, timed = c.number()
			ok = timed
		case "channel":
			ok = s.Channel == "" && d.word(&c, &s.Channel)
		case "site":
			ok = s.Site == "" && d.word(&c, &s.Site)
		case "counts":
			ok = s.Counts == nil && d.values(&c, &s.Counts)
		case "reflectance":
			ok = s.Reflectance == nil && d.values(&c, &s.Reflectance)
		case "integration_ms":
			if s.IntegrationMS != 0 {
				return s, false
			}
			s.IntegrationMS, ok = c.number()
			ok = ok && isIntegration(s.IntegrationMS)
		default:
			for _, other := range others[:otherSeen] {
				if bytes.Equal(other, name) {
					return s, false
				}
			}
			if otherSeen == len(others) {
				return s, false
			}
			others[otherSeen] = name
			otherSeen++
			ok = c.scalar()
		}
		if !ok {
			return s, false
		}
	}
	ok = c.at == len(c.text) && timed && s.Channel != "" && (s.Counts == nil) != (s.Reflectance == nil)
	if ok {
		values := max(len(s.Counts), len(s.Reflectance))
		d.last = values
		d.room = d.room[min(values, len(d.room)):]
	}
	return s, ok
}

// word reads a name that is not empty.
func (d *Decoder) word(c *cursor, to *string) bool {
	text, ok := c.word()
	if !ok || len(text) == 0 || len(text) > MaxNameBytes {
		return false
	}
	for _, known := range d.names {
		if known == string(text) {
			*to = known
			return true
		}
	}
	*to = string(text)
	if len(d.names) < mostNames {
		d.names = append(d.names, *to)
	}
	return true
}

// values reads a list of one number or more, or nulls, into the room.
func (d *Decoder) values(c *cursor, to *Values) bool {
	if !c.take('[') {
		return false
	}
	size := bytes.IndexByte(c.text[c.at:], ']')
	if size < 0 {
		return false
	}
	n := bytes.Count(c.text[c.at:c.at+size], []byte{','}) + 1
	if n > MaxPixels {
		return false
	}
	if len(d.room) < n {
		together := 1
		if n == d.last {
			together = spectrumsTogether
		}
		d.room = make([]float64, together*n)
	}
	list := d.room[:n:n]
	for i := range list {
		v, ok := c.number()
		if !ok {
			c.space()
			if v, ok = c.number(); !ok {
				v, ok = math.NaN(), c.literal("null")
			}
		}
		if !ok {
			return false
		}
		list[i] = v
		if i == n-1 {
			break
		}
		if !c.take(',') {
			if c.space(); !c.take(',') {
				return false
			}
		}
	}
	c.space()
	*to = list
	return c.take(']')
}

// cursor is a place in a text. Each method moves it past what it found, or says that it
// found something else and leaves it where it was.
type cursor struct {
	text []byte
	at   int
}

func (c *cursor) space() {
	for c.at < len(c.text) {
		switch c.text[c.at] {
		case ' ', '\t', '\r', '\n':
			c.at++
		default:
			return
		}
	}
}

func (c *cursor) take(b byte) bool {
	if c.at < len(c.text) && c.text[c.at] == b {
		c.at++
		return true
	}
	return false
}

func (c *cursor) literal(word string) bool {
	if !bytes.HasPrefix(c.text[c.at:], []byte(word)) {
		return false
	}
	c.at += len(word)
	return true
}

// word reads a text of printable ASCII without escapes.
func (c *cursor) word() (text []byte, ok bool) {
	if c.at == len(c.text) || c.text[c.at] != '"' {
		return nil, false
	}
	first := c.at + 1
	for i := first; i < len(c.text); i++ {
		switch b := c.text[i]; {
		case b == '"':
			c.at = i + 1
			return c.text[first:i], true
		case b < ' ' || b >= 0x7f || b == '\\':
			return nil, false
		}
	}
	return nil, false
}

// scalar passes over a value that is neither list nor object.
func (c *cursor) scalar() bool {
	if _, ok := c.word(); ok {
		return true
	}
	if _, ok := c.number(); ok {
		return true
	}
	return c.literal("true") || c.literal("false") || c.literal("null")
}

// number reads a JSON number (RFC 8259, section 6), correctly rounded. Up to 2⁵³ and
// 10²² mantissa and power of ten are exact, so that one division rounds once (W. D.
// Clinger, PLDI 1990, 92-101); all else is for strconv.
func (c *cursor) number() (v float64, ok bool) {
	text, i := c.text, c.at
	negative := i < len(text) && text[i] == '-'
	if negative {
		i++
	}
	first := i
	mantissa := uint64(0) // may overflow: digits tells
	for i < len(text) && text[i]-'0' <= 9 {
		mantissa = 10*mantissa + uint64(text[i]-'0')
		i++
	}
	digits := i - first
	if digits == 0 || digits > 1 && text[first] == '0' {
		return 0, false
	}
	decimals := 0
	if i < len(text) && text[i] == '.' {
		point := i
		for i++; i < len(text) && text[i]-'0' <= 9; i++ {
			mantissa = 10*mantissa + uint64(text[i]-'0')
		}
		decimals = i - point - 1
		if decimals == 0 {
			return 0, false
		}
	}
	exact := digits+decimals <= 19 && mantissa <= 1<<53 && decimals < len(powersOfTen)
	if i < len(text) && text[i]|0x20 == 'e' {
		exact = false
		i++
		if i < len(text) && (text[i] == '+' || text[i] == '-') {
			i++
		}
		power := i
		for i < len(text) && text[i]-'0' <= 9 {
			i++
		}
		if i == power {
			return 0, false
		}
	}
	if exact {
		v = float64(mantissa) / powersOfTen[decimals]
		if negative {
			v = -v
		}
		c.at = i
		return v, true
	}
	v, err := strconv.ParseFloat(string(text[c.at:i]), 64)
	if err != nil {
		return 0, false
	}
	c.at = i
	return v, true
}

// powersOfTen are those that a float64 holds exactly.
var powersOfTen = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}
