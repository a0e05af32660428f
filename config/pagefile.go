package config

import (
	"fmt"
	"net"
	"strings"
)

// The table of the rig file that is about the page.

type rawPage struct {
	at
	Listen      string   `toml:"listen" def:"127.0.0.1:8080" eg:"\":8080\""`
	Hosts       []string `toml:"hosts"`
	Certificate *string  `toml:"certificate_file"`
	Key         *string  `toml:"key_file"`
}

// Page is where the page is served.
type Page struct {
	Listen   string
	Hosts    []string // names it may be asked for by, besides the computer's own
	CertFile string   // "": no TLS
	KeyFile  string
	Local    bool // only this computer can reach it
}

// page reads the table.
func (raw *rawPage) page(f *file, r *Rig) *Page {
	p := &Page{Listen: raw.Listen, Hosts: raw.Hosts, Local: f.listens(raw.key("listen"), raw.Listen, "8080")}
	set(&p.CertFile, raw.Certificate)
	set(&p.KeyFile, raw.Key)
	f.both(raw.at, "certificate_file", raw.Certificate, "key_file", raw.Key)
	f.hosts(raw.key("hosts"), "page", raw.Hosts)
	if !p.Local && p.CertFile == "" {
		r.warn(f, raw.key("listen"), fmt.Sprintf("the page is served to the network at %s without TLS: whoever listens in there learns its passwords", p.Listen),
			"give it certificate_file and key_file, or keep it to a network of your own and use its passwords nowhere else")
	}
	return p
}

// hosts checks a list of names of hosts.
func (f *file) hosts(path, table string, names []string) {
	for _, h := range names {
		if !isHost(h) {
			f.add(path, fmt.Sprintf("%s: %q is no name of a host", table, h), `write the name alone, without a port or a path: "barn.lan"`)
		}
	}
}

// isHost reports whether a name is one of a host: addresses need not be listed.
func isHost(name string) bool {
	if name == "" || len(name) > 253 || net.ParseIP(name) != nil {
		return false
	}
	for label := range strings.SplitSeq(name, ".") {
		ok := label != "" && len(label) <= 63 && !strings.HasPrefix(label, "-") && !strings.HasSuffix(label, "-")
		for _, c := range label {
			ok = ok && (c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-')
		}
		if !ok {
			return false
		}
	}
	return true
}

// Address is the page's address, for people.
func (p *Page) Address() string {
	scheme := "http"
	if p.CertFile != "" {
		scheme = "https"
	}
	host, port, err := net.SplitHostPort(p.Listen)
	if err != nil {
		return scheme + "://" + p.Listen + "/"
	}
	if ip := net.ParseIP(host); host == "" || ip != nil && ip.IsUnspecified() {
		host = "localhost" // and by the computer's own name and addresses
	}
	return scheme + "://" + net.JoinHostPort(host, port) + "/"
}

// describe says where it is.
func (p *Page) describe() string {
	s := "A page at " + p.Address()
	if p.Local {
		s += ", for this computer alone"
	} else {
		s += ", and in the network under this computer's names and addresses"
	}
	if len(p.Hosts) > 0 {
		s += ", also under " + strings.Join(p.Hosts, ", ")
	}
	if p.CertFile != "" {
		s += fmt.Sprintf(", certificate in %s, key in %s", p.CertFile, p.KeyFile)
	}
	return s
}
