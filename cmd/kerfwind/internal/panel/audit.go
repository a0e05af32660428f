package panel

import (
	"fmt"
	"net/url"
	"time"
)

// Row is one line of the record of changes.
type Row struct {
	At      time.Time  `json:"at"`
	Trusted bool       `json:"trusted"` // the clock is
	Shop    string     `json:"shop,omitempty"`
	Role    string     `json:"role"` // that it was done in
	From    string     `json:"from"` // address
	What    string     `json:"what"` // "/stand-down"
	With    url.Values `json:"with,omitempty"`
	Result  string     `json:"result"` // "done", "refused" or "failed"
	Text    string     `json:"text,omitempty"`
}

// audit writes down what was done or tried.
func (s *Server) audit(v *Visit, what, result, text string) {
	row := Row{At: time.Now(), Role: v.Role.String(), From: v.who.from.String(), What: what, With: v.fields, Result: result, Text: text}
	if v.Shop != nil {
		row.Shop = v.Shop.Name
		row.At, row.Trusted = v.Shop.Wall()
	}
	if err := s.o.Audit(row); err != nil {
		s.o.Notice(fmt.Errorf("page: %s of %s was not written down: %w", what, row.From, err))
	}
}
