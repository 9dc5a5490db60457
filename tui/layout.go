package tui

// Sizes at which the arrangement changes.
const (
	minWidth      = 60 // below: plain words
	minHeight     = 18
	besideFrom    = 76  // width from which a picture stands beside the column
	pairFrom      = 96  // width of the place in which two pictures stand side by side
	doubleFrom    = 160 // width from which the digits are twice as large
	tallBand      = 36  // height from which the advice is three lines high
	largeBand     = 48  // height and width from which it is in large letters
	largeBandFrom = 110
	lowerFrom     = 28 // height of the middle from which it is split in two
	stackFrom     = 19 // height of its lower part in which two plots share the time axis
	sidePanelFrom = 150
)

// bandRows is the height of the advice line on a screen.
func bandRows(w, h int) int {
	switch {
	case h >= largeBand && w >= largeBandFrom:
		return largeRows + 2
	case h >= tallBand:
		return 3
	}
	return 1
}

// frameRows is what advice, reason, header, host, health, notice and keys take.
func (m *Model) frameRows() int { return bandRows(m.width, m.height) + m.snapshot.hostRows() + 5 }

// arrangement says which pictures take turns in one place on the screen. The
// others, if there is room for more, are always there.
type arrangement int

const (
	everything  arrangement = iota // all at once
	lowerTurns                     // spectrum above; below it time or evidence
	oneTurns                       // one picture beside the numbers
	columnTurns                    // one picture beside the numbers, the column among them
)

func (m *Model) arrange() arrangement {
	w, middle := m.width, m.height-m.frameRows()
	switch {
	case middle >= lowerFrom && middle-upperRows(middle) > stackFrom && w >= sidePanelFrom:
		return everything
	case middle >= lowerFrom:
		return lowerTurns
	case w >= besideFrom:
		return oneTurns
	}
	return columnTurns
}

// upperRows is the height of the upper part of a split middle.
func upperRows(middle int) int { return min(max(middle*11/20, 19), 24) }

// pictureNames returns what takes turns in the place for one picture, in turn.
func (m *Model) pictureNames() []string {
	var names []string
	if m.snapshot.Host.HideNumbers || m.snapshot.Host.HidePictures {
		return nil
	}
	switch m.arrange() {
	case everything:
		return nil
	case lowerTurns:
		names = []string{"time", "evidence"}
	case oneTurns:
		names = []string{"spectrum", "time", "evidence"}
	case columnTurns:
		names = []string{"column", "spectrum", "time", "evidence"}
	}
	if len(m.snapshot.Sites) > 1 {
		names = append(names, "sites")
	}
	return names
}

// pictureName returns whose turn it is.
func (m *Model) pictureName() string {
	names := m.pictureNames()
	if len(names) == 0 {
		return ""
	}
	return names[m.choices.picture%len(names)]
}

// drawMiddle arranges numbers and pictures.
func (m *Model) drawMiddle(a area, r *reading) {
	switch h := &m.snapshot.Host; {
	case h.HideNumbers && h.HidePictures:
		return
	case h.HideNumbers:
		drawVeiled(a.sub(0, 0, readoutCols, a.h), &m.snapshot)
		m.drawSpectrum(a.sub(readoutCols, 0, a.w-readoutCols, a.h))
		return
	case h.HidePictures:
		drawReadout(a.sub(0, 0, readoutCols, a.h), &m.snapshot, r, 1)
		return
	}
	upper, lower := a, area{}
	how := m.arrange()
	if how == everything || how == lowerTurns {
		h := upperRows(a.h)
		upper, lower = a.sub(0, 0, a.w, h), a.sub(0, h+1, a.w, a.h-h-1)
	}

	size, x := 1, readoutCols
	if upper.w >= doubleFrom && upper.h >= 24 {
		size, x = 2, 2*readoutCols-5
		// The large digits leave room beside the numbers under them.
		drawEvidence(upper.sub(readoutCols+1, 2*largeRows+3, x-readoutCols-3, upper.h-2*largeRows-3), &m.scene)
	}
	drawReadout(upper.sub(0, 0, x, upper.h), &m.snapshot, r, size)
	if how != columnTurns && upper.w >= besideFrom {
		w := min(max(upper.w/8, 13), 22)
		drawColumn(upper.sub(x, 0, w, upper.h), &m.snapshot, r)
		x += w + 1
	}
	place := upper.sub(x, 0, upper.w-x, upper.h)
	switch how {
	case everything:
		m.drawSpectrum(place)
		m.drawLower(lower)
	case lowerTurns:
		if upper.w >= besideFrom {
			m.drawSpectrum(place)
		} else { // narrow but tall
			drawColumn(place.sub(0, 0, 22, place.h), &m.snapshot, r)
			h := max(min(16, lower.h/2), 12)
			m.drawSpectrum(lower.sub(0, 0, lower.w, h))
			lower = lower.sub(0, h+1, lower.w, lower.h)
		}
		m.drawTurn(lower, r)
	default:
		m.drawTurn(place, r)
	}
}

// drawTurn draws the picture whose turn it is.
func (m *Model) drawTurn(a area, r *reading) {
	name := m.pictureName()
	lower := m.arrange() == lowerTurns
	switch {
	case name == "time" && lower:
		m.drawLower(a)
	case name == "spectrum" && a.w >= pairFrom:
		w := a.w / 2
		m.drawSpectrum(a.sub(0, 0, w, a.h))
		m.drawTimes(a.sub(w+1, 0, a.w-w-1, a.h))
	case name == "column":
		drawColumn(a.sub(0, 0, 22, a.h), &m.snapshot, r)
	case name == "spectrum":
		m.drawSpectrum(a)
	case name == "time":
		m.drawTimes(a)
	case name == "evidence" && a.w >= pairFrom:
		drawEvidence(a.sub(0, 0, 46, a.h), &m.scene)
		drawLog(a.sub(48, 0, a.w-48, a.h), &m.scene)
	case name == "evidence":
		h := min(a.h*2/3, 12)
		drawEvidence(a.sub(0, 0, a.w, h), &m.scene)
		drawLog(a.sub(0, h+1, a.w, a.h-h-1), &m.scene)
	case name == "sites":
		drawSites(a, &m.scene)
	}
}

// drawTimes draws what went on against time: thickness, and under it the
// contrast edge where there is room.
func (m *Model) drawTimes(a area) {
	if a.h < 16 {
		m.drawTime(a)
		return
	}
	h := a.h * 13 / 20
	m.drawTime(a.sub(0, 0, a.w, h))
	m.drawEdges(a.sub(0, h, a.w, a.h-h))
}

// drawLower draws the lower part of a split screen: against time, and at its
// right the sites and what happened.
func (m *Model) drawLower(a area) {
	sc := &m.scene
	side := area{}
	several := len(sc.sites) > 1
	if several && a.w >= 80 || a.w >= sidePanelFrom {
		w := min(max(a.w*3/10, 42), 70)
		if !several {
			w = 46
		}
		side = a.sub(a.w-w, 0, w, a.h)
		a = a.sub(0, 0, a.w-w-2, a.h)
	}
	switch {
	case a.h >= stackFrom:
		m.drawTimes(a)
	case a.w >= pairFrom:
		w := a.w * 3 / 5
		m.drawTime(a.sub(0, 0, w, a.h))
		m.drawEdges(a.sub(w+1, 0, a.w-w-1, a.h))
	default:
		m.drawTime(a)
	}
	switch {
	case side.h == 0:
	case !several:
		drawLog(side, sc)
	case side.h >= stackFrom:
		h := min(side.h-6, len(sc.sites)+3+12)
		drawSites(side.sub(0, 0, side.w, h), sc)
		drawLog(side.sub(0, h+1, side.w, side.h-h-1), sc)
	default:
		drawSites(side, sc)
	}
}
