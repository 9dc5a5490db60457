package tui

// Large characters: five rows, strokes two cells wide so that they look as
// heavy across as down.
const (
	largeRows = 5
	largeCols = 6
)

// largeShape returns the rows of one large character and its width. There are
// the digits and the letters of the advice; anything else becomes a dash.
func largeShape(r rune) (rows [largeRows]string, width int) {
	switch r {
	case '0', 'O':
		rows = [largeRows]string{"######", "##  ##", "##  ##", "##  ##", "######"}
	case '1':
		rows = [largeRows]string{"  ##  ", "####  ", "  ##  ", "  ##  ", "######"}
	case '2':
		rows = [largeRows]string{"######", "    ##", "######", "##    ", "######"}
	case '3':
		rows = [largeRows]string{"######", "    ##", " #####", "    ##", "######"}
	case '4':
		rows = [largeRows]string{"##  ##", "##  ##", "######", "    ##", "    ##"}
	case '5', 'S':
		rows = [largeRows]string{"######", "##    ", "######", "    ##", "######"}
	case '6':
		rows = [largeRows]string{"######", "##    ", "######", "##  ##", "######"}
	case '7':
		rows = [largeRows]string{"######", "    ##", "   ## ", "  ##  ", "  ##  "}
	case '8':
		rows = [largeRows]string{"######", "##  ##", "######", "##  ##", "######"}
	case '9':
		rows = [largeRows]string{"######", "##  ##", "######", "    ##", "######"}
	case 'A':
		rows = [largeRows]string{"######", "##  ##", "######", "##  ##", "##  ##"}
	case 'B':
		rows = [largeRows]string{"##### ", "##  ##", "##### ", "##  ##", "##### "}
	case 'C':
		rows = [largeRows]string{"######", "##    ", "##    ", "##    ", "######"}
	case 'D':
		rows = [largeRows]string{"##### ", "##  ##", "##  ##", "##  ##", "##### "}
	case 'E':
		rows = [largeRows]string{"######", "##    ", "##### ", "##    ", "######"}
	case 'I':
		rows = [largeRows]string{"######", "  ##  ", "  ##  ", "  ##  ", "######"}
	case 'L':
		rows = [largeRows]string{"##    ", "##    ", "##    ", "##    ", "######"}
	case 'M':
		rows = [largeRows]string{"##  ##", "######", "######", "##  ##", "##  ##"}
	case 'N':
		rows = [largeRows]string{"##  ##", "### ##", "######", "## ###", "##  ##"}
	case 'P':
		rows = [largeRows]string{"######", "##  ##", "######", "##    ", "##    "}
	case 'R':
		rows = [largeRows]string{"######", "##  ##", "##### ", "##  ##", "##  ##"}
	case 'T':
		rows = [largeRows]string{"######", "  ##  ", "  ##  ", "  ##  ", "  ##  "}
	case 'U':
		rows = [largeRows]string{"##  ##", "##  ##", "##  ##", "##  ##", "######"}
	case '.':
		return [largeRows]string{"  ", "  ", "  ", "  ", "##"}, 2
	case ' ':
		return rows, 2
	default:
		rows = [largeRows]string{"      ", "      ", "######", "      ", "      "}
	}
	return rows, largeCols
}

// large draws s in large characters, size times their smallest size, with the
// given character as ink and returns the column after it.
func (a area) large(x, y, size int, p pen, ink rune, s string) int {
	for i, r := range s {
		if i > 0 {
			x += size
		}
		rows, width := largeShape(r)
		for dy, row := range rows {
			for dx, mark := range row {
				if mark == '#' {
					a.sub(x+dx*size, y+dy*size, size, size).fill(ink, p)
				}
			}
		}
		x += width * size
	}
	return x
}
