package page

// What templates ask of pictures: places that follow from others.

// SizeX is where labels of sizes end, and TimeY the line that those of times stand on.
func (g *growth) SizeX() float64 { return g.Left - 8 }
func (g *growth) TimeY() float64 { return g.Bottom + 20 }

// HeadingX and HeadingY are where the name of a panel stands.
func (p panel) SizeX() float64    { return p.Left - 8 }
func (p panel) TimeY() float64    { return p.Bottom + 20 }
func (p panel) HeadingX() float64 { return 0 }
func (p panel) HeadingY() float64 { return 14 }

// Head is how much the name of a calendar takes above it.
func (c calendar) Head() float64       { return 22 }
func (c calendar) FullHeight() float64 { return c.Height + c.Head() }

func (m mark) Left() float64 { return m.X - m.Size/2 }
func (m mark) Top() float64  { return m.Y - m.Size/2 }

// PictureWidth and PictureHeight are those of the first picture alone, with a margin and a title.
func (v *view) PictureWidth() float64  { return v.Growth[0].Width + 48 }
func (v *view) PictureHeight() float64 { return v.Growth[0].Height + 76 }

// Class gives the class of a letter in the legend.
func (v *view) Class(letter string) string {
	for _, k := range kept {
		if k.letter == letter {
			return k.class
		}
	}
	return ""
}

// ends are the labels at the ends of the lines of the first picture.
type ends struct {
	Growth           *growth
	Captured, Stored int64
}

func (e ends) CapturedY() float64    { return e.Growth.CapturedAt }
func (e ends) CapturedNote() float64 { return e.Growth.CapturedAt + 16 }
func (e ends) StoredY() float64      { return e.Growth.StoredAt - 16 }
func (e ends) StoredNote() float64   { return e.Growth.StoredAt }

// Ends gives them for each of Growth.
func (v *view) Ends() (all []ends) {
	for _, g := range v.Growth {
		all = append(all, ends{g, v.Usage.Total.Captured, v.Usage.Total.Stored})
	}
	return all
}

// soFar is a row of the table behind the first picture.
type soFar struct {
	ID, Taken        string
	Captured, Stored int64
}

// SoFar gives these rows.
func (v *view) SoFar() (rows []soFar) {
	var all, kept int64
	for _, c := range v.Captures {
		all += int64(c.Bytes)
		kept += c.Fresh
		rows = append(rows, soFar{c.ID, v.Minute(c.Taken), all, kept})
	}
	return rows
}

// All is the row of all captures together.
func (v *view) All() cost { return cost{Of: "all", Cost: v.Usage.Total} }
