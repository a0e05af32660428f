package mqttlink

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"kerfwind/config"
)

// Secrets reads what a link logs in with: the password, and for an ssl://
// broker the certificates. A relative path starts at the folder that
// CREDENTIALS_DIRECTORY names (the service manager's), else at folder. The
// error joins all that cannot be used.
func Secrets(m config.MQTT, folder string) (password string, conf *tls.Config, err error) {
	place := func(path string) string { return Place(path, folder) }
	var errs []error
	if m.PasswordFile != "" {
		if password, err = Password(place(m.PasswordFile)); err != nil {
			errs = append(errs, err)
		}
	}
	if !strings.HasPrefix(m.Broker, "ssl:") {
		return password, nil, errors.Join(errs...)
	}
	conf = &tls.Config{MinVersion: tls.VersionTLS12}
	if m.CAFile != "" {
		pem, err := os.ReadFile(place(m.CAFile))
		conf.RootCAs = x509.NewCertPool()
		if err == nil && !conf.RootCAs.AppendCertsFromPEM(pem) {
			err = fmt.Errorf("%s holds no certificate in PEM", place(m.CAFile))
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("mqtt: ca_file: %w", err))
		}
	}
	if m.CertFile != "" {
		c, err := tls.LoadX509KeyPair(place(m.CertFile), place(m.KeyFile))
		if err != nil {
			errs = append(errs, fmt.Errorf("mqtt: certificate_file and key_file: %w", err))
		}
		conf.Certificates = []tls.Certificate{c}
	}
	return password, conf, errors.Join(errs...)
}

// Place is the path of a file named in the rig file: see Secrets.
func Place(path, folder string) string {
	if filepath.IsAbs(path) {
		return path
	}
	if d := os.Getenv("CREDENTIALS_DIRECTORY"); d != "" {
		folder = d
	}
	return filepath.Join(folder, path)
}

// Password reads the first line of a file.
func Password(path string) (string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", fmt.Errorf("password_file: %w", err)
	}
	first, _, _ := strings.Cut(string(text), "\n")
	if first = strings.TrimSuffix(first, "\r"); first == "" {
		return "", fmt.Errorf("password_file: the first line of %s is empty", path)
	}
	return first, nil
}
