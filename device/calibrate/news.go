package calibrate

import "fmt"

// mostNews bounds what waits to be asked for.
const mostNews = 64

// News returns what there is to tell since the last call, each matter once until it
// changes.
func (c *Calibrator) News() []string {
	news := c.news
	c.news = nil
	return news
}

func (c *Calibrator) tell(format string, args ...any) {
	if len(c.news) < mostNews {
		c.news = append(c.news, fmt.Sprintf(format, args...))
	}
}

// matter tells of something that is so, and not again before it was not.
func (c *Calibrator) matter(ch *channel, what string, so bool, format string, args ...any) {
	if so && !ch.told[what] {
		c.tell("channel %q: %s", ch.name, fmt.Sprintf(format, args...))
	}
	ch.told[what] = so
}
