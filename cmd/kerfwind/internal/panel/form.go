package panel

import (
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"unicode/utf8"

	"kerfwind/config"
)

// mostField bounds a field of a form, bytes.
const mostField = 1024

// fieldsOf reads the fields of a POST's form, or of a GET's query.
func fieldsOf(r *http.Request, allowed []string) (url.Values, error) {
	if r.Method != http.MethodPost {
		return parseFields(r.URL.RawQuery, allowed)
	}
	if r.URL.RawQuery != "" {
		return nil, &Mistake{"send a form in the body, not in the address"}
	}
	body, err := io.ReadAll(r.Body)
	if err != nil {
		if big := (*http.MaxBytesError)(nil); errors.As(err, &big) {
			return nil, err
		}
		return nil, &Mistake{"part of the form is missing: send it again"}
	}
	if len(body) > 0 {
		if kind, _, err := mime.ParseMediaType(r.Header.Get("Content-Type")); err != nil || kind != "application/x-www-form-urlencoded" {
			return nil, &Mistake{"the form is not of the type application/x-www-form-urlencoded"}
		}
	}
	return parseFields(string(body), allowed)
}

// parseFields reads fields, each of which may be there once.
func parseFields(text string, allowed []string) (url.Values, error) {
	values, err := url.ParseQuery(text)
	if err != nil {
		return nil, &Mistake{"the form cannot be read"}
	}
	for name, list := range values {
		switch {
		case !slices.Contains(allowed, name):
			return nil, &Mistake{fmt.Sprintf("the form has an unknown field %.40q", name)}
		case len(list) != 1:
			return nil, &Mistake{fmt.Sprintf("the form has the field %s more than once", name)}
		case len(list[0]) > mostField || !utf8.ValidString(list[0]) || strings.ContainsFunc(list[0], config.Hidden):
			return nil, &Mistake{fmt.Sprintf("the field %s holds something that cannot be used", name)}
		}
	}
	return values, nil
}
