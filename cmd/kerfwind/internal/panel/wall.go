package panel

// wallPart is for an old tablet on the wall: the one sentence and the picture, as
// large as they go. Nothing can be done there.
var wallPart = Part{Path: "/wall", Title: "Wall", Role: Look, File: "wall.html", Aside: true, Whole: true, Data: wall}

// wallMain holds what its template shows.
type wallMain struct {
	*nowView
	Picture *sketch
	Wall    string // the time of day, for a page that does not follow by itself
}

func wall(v *Visit) (any, error) {
	m := &wallMain{nowView: makeNow(v.Shop.nowIn())}
	m.Picture = v.Shop.draw(m.nowView, false)
	if at, trusted := v.Shop.Wall(); trusted {
		m.Wall = at.Format("15:04:05")
	}
	return m, nil
}
