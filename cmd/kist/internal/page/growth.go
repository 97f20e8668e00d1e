package page

import (
	"fmt"
	"strings"
)

// growth is the first picture: what was captured up to a day, and what of that is stored, each chunk once.
type growth struct {
	Width, Height            float64
	Left, Right, Top, Bottom float64 // of the field
	Captured, Stored         string  // areas
	CapturedLine, StoredLine string
	Sizes, Times             []tick
	CapturedAt, StoredAt     float64 // heights of the lines' ends
	Label                    float64 // where labels of the ends begin; 0: there is no room beside the field
	Text                     string
	Narrow                   bool
}

// labelGap is how far apart two labels are at least.
const labelGap = 34

func (v *view) drawGrowth(width float64) *growth {
	g := &growth{Width: width, Height: 330, Left: 64, Right: width - 110, Top: 14, Bottom: 298, Narrow: width == narrow}
	if g.Narrow {
		g.Height, g.Bottom, g.Left, g.Right = 260, 228, 62, width-10
	}
	captured, stored := v.Usage.Total.Captured, v.Usage.Total.Stored
	g.Text = fmt.Sprintf("Captured and stored over time, %s: %s captured, of which %s are stored.", v.Period(), sizeText(captured), sizeText(stored))
	if len(v.Captures) == 0 {
		return g
	}
	steps, top := byteTicks(max(captured, stored, 1))
	height := func(n int64) float64 { return g.Bottom - (g.Bottom-g.Top)*float64(n)/float64(top) }
	for _, n := range steps {
		g.Sizes = append(g.Sizes, tick{height(n), sizeText(n)})
	}
	scale := newTimeScale(v.Captures[0].Taken, v.Captures[len(v.Captures)-1].Taken, g.Left, g.Right)
	room := 64.0
	if g.Narrow {
		room = 52
	}
	g.Times = scale.ticks(v.zone(), room, g.Width)
	var all, kept int64
	lines := [2]*staircase{newStaircase(g.Left, g.Bottom), newStaircase(g.Left, g.Bottom)}
	for _, c := range v.Captures {
		all += int64(c.Bytes)
		kept += c.Fresh
		x := scale.at(c.Taken)
		lines[0].to(x, height(all))
		lines[1].to(x, height(kept))
	}
	for _, l := range lines {
		l.to(g.Right, l.y)
	}
	g.CapturedLine, g.Captured = lines[0].paths(g.Bottom)
	g.StoredLine, g.Stored = lines[1].paths(g.Bottom)
	g.CapturedAt, g.StoredAt = lines[0].y, lines[1].y
	if !g.Narrow {
		g.Label = g.Right + 10
		g.StoredAt = max(g.StoredAt, g.CapturedAt+labelGap)
		if over := g.StoredAt - (g.Bottom - 6); over > 0 {
			g.StoredAt -= over
			g.CapturedAt = min(g.CapturedAt, g.StoredAt-labelGap)
		}
	}
	return g
}

// staircase is a line that goes up in steps.
type staircase struct {
	b    strings.Builder
	x, y float64
	from float64
}

func newStaircase(x, y float64) *staircase {
	s := &staircase{x: x, y: y, from: x}
	s.b.WriteString("M" + place(x, y))
	return s
}

func (s *staircase) to(x, y float64) {
	if x != s.x {
		s.b.WriteString(" H" + fmt.Sprintf("%.1f", x))
	}
	if y != s.y {
		s.b.WriteString(" V" + fmt.Sprintf("%.1f", y))
	}
	s.x, s.y = x, y
}

// paths gives the line, and the area under it.
func (s *staircase) paths(bottom float64) (line, area string) {
	line = s.b.String()
	return line, fmt.Sprintf("%s V%.1f H%.1f Z", line, bottom, s.from)
}
