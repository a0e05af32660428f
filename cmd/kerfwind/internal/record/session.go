package record

import (
	"kerfwind/cmd/kerfwind/internal/feed"
)

// ColumnsOf is Columns of what is looked at: of a recording, all channels in order.
func ColumnsOf(t *feed.Tap) (columns [][]int, rates []float64) {
	if t.Now != nil {
		return Columns(t.Shop.Rig)
	}
	all := make([]int, len(t.Channels))
	for i := range all {
		all[i] = i
	}
	return [][]int{all}, []float64{t.Rate}
}
