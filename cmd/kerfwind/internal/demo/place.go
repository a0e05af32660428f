package demo

import "net"

// Place finds where can be listened at: the address that is given or, where
// none is, the usual one, or another port of this computer if that is taken.
func Place(given, usual string) (string, error) {
	tries := []string{given}
	if given == "" {
		tries = []string{usual, "127.0.0.1:0"}
	}
	var err error
	for _, at := range tries {
		var l net.Listener
		if l, err = net.Listen("tcp", at); err == nil {
			return addressOf(given, l.Addr()), l.Close()
		}
	}
	return "", err
}

// addressOf is the address listened at, with the host as it was given.
func addressOf(given string, at net.Addr) string {
	host, _, err := net.SplitHostPort(given)
	_, port, _ := net.SplitHostPort(at.String()) // it is the system's
	if given == "" || err != nil {
		return at.String()
	}
	return net.JoinHostPort(host, port)
}

// Addresses are the page's addresses in the network, if it is served there.
func Addresses(at string) (out []string) {
	host, port, err := net.SplitHostPort(at)
	if ip := net.ParseIP(host); err != nil || host != "" && (ip == nil || !ip.IsUnspecified()) {
		return nil // it is served at this one only
	}
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	for _, a := range all {
		if n, ok := a.(*net.IPNet); ok && n.IP.IsGlobalUnicast() {
			out = append(out, "http://"+net.JoinHostPort(n.IP.String(), port)+"/")
		}
	}
	return out
}
