package panel

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/crypto/argon2"

	"kerfwind/cmd/kerfwind/internal/state"
)

// Role says what somebody may do. Each may do what those before it may.
type Role uint8

// The roles.
const (
	None    Role = iota // not even look
	Look                // see everything
	Operate             // hold gates, stand down, note that something was reset
	Setup               // move in, learn levels
)

var roleNames = [...]string{None: "none", Look: "look", Operate: "operate", Setup: "setup"}

// String is the role's name in one word.
func (r Role) String() string { return roleNames[r] }

// Words say what the role may do: "look".
func (r Role) Words() string {
	if r == Setup {
		return "set up"
	}
	return r.String()
}

// ParseRole finds a role that one can have a password for.
func ParseRole(name string) (Role, error) {
	for r := Look; r <= Setup; r++ {
		if roleNames[r] == name {
			return r, nil
		}
	}
	return None, fmt.Errorf("no role %.20q: write look, operate or setup", name)
}

// Passwords holds what is kept of the passwords.
type Passwords map[Role]Key

// Roles are those for which there is a password, the least first.
func (p Passwords) Roles() (out []Role) {
	for r := Look; r <= Setup; r++ {
		if p[r] != "" {
			out = append(out, r)
		}
	}
	return out
}

// Key is kept in place of a password: it shows whether a word is the one, and
// takes long to try.
type Key string

// Cost of a try. RFC 9106 asks for more memory where there is some; this is
// the smallest row of the OWASP password storage cheat sheet (from memory) with
// a third pass, since the smallest computer has 512 MiB and one slow core.
const (
	keyMemory = 12 << 10 // KiB
	keyPasses = 3
	keyLanes  = 1
	keyLength = 32
	keySalt   = 16
)

// Bounds of a password. NIST SP 800-63B asks for eight characters at least and
// no rules on what they are (from memory).
const (
	leastPassword = 8
	mostPassword  = 256 // bytes
)

// NewKey makes the key of a password.
func NewKey(password string) (Key, error) {
	switch {
	case utf8.RuneCountInString(password) < leastPassword:
		return "", fmt.Errorf("a password needs at least %d characters", leastPassword)
	case len(password) > mostPassword:
		return "", fmt.Errorf("a password has at most %d bytes", mostPassword)
	}
	if !utf8.ValidString(password) || strings.ContainsFunc(password, unicode.IsControl) {
		return "", errors.New("a password holds letters, digits and signs only")
	}
	salt := make([]byte, keySalt)
	_, _ = rand.Read(salt) // it never fails
	enc := base64.RawStdEncoding
	return Key(fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$%s$%s", argon2.Version, keyMemory, keyPasses, keyLanes,
		enc.EncodeToString(salt), enc.EncodeToString(sum(password, salt)))), nil
}

func sum(password string, salt []byte) []byte {
	return argon2.IDKey([]byte(password), salt, keyPasses, keyMemory, keyLanes, keyLength)
}

// parts takes a key apart. Only the cost that NewKey writes is known.
func (k Key) parts() (salt, hash []byte, err error) {
	rest, ok := strings.CutPrefix(string(k), fmt.Sprintf("$argon2id$v=%d$m=%d,t=%d,p=%d$", argon2.Version, keyMemory, keyPasses, keyLanes))
	s, h, two := strings.Cut(rest, "$")
	salt, err1 := base64.RawStdEncoding.DecodeString(s)
	hash, err2 := base64.RawStdEncoding.DecodeString(h)
	if !ok || !two || err1 != nil || err2 != nil || len(salt) != keySalt || len(hash) != keyLength {
		return nil, nil, errors.New("a key that this program did not write")
	}
	return salt, hash, nil
}

// fits reports whether the key is of a password.
func (k Key) fits(password string) bool {
	salt, hash, err := k.parts()
	return err == nil && len(password) <= mostPassword && subtle.ConstantTimeCompare(hash, sum(password, salt)) == 1
}

// passwordFile is how passwords are kept.
type passwordFile struct {
	Format int            `json:"format"`
	Keys   map[string]Key `json:"keys"`
}

// mostFile bounds the file, bytes.
const mostFile = 64 << 10

// Encode is the content of the file.
func (p Passwords) Encode() ([]byte, error) {
	f := passwordFile{Format: 1, Keys: map[string]Key{}}
	for r, k := range p {
		f.Keys[r.String()] = k
	}
	b, err := json.MarshalIndent(f, "", "  ")
	return append(b, '\n'), err
}

// DecodePasswords reads the content of the file.
func DecodePasswords(b []byte) (Passwords, error) {
	var f passwordFile
	if err := json.Unmarshal(b, &f); err != nil {
		return nil, err
	}
	if f.Format != 1 {
		return nil, fmt.Errorf("format is %d, this program knows 1", f.Format)
	}
	p := Passwords{}
	for name, k := range f.Keys {
		r, err := ParseRole(name)
		if err == nil {
			_, _, err = k.parts()
		}
		if err != nil {
			return nil, fmt.Errorf("%.20q: %w", name, err)
		}
		p[r] = k
	}
	return p, nil
}

// readPasswords reads the file of passwords.
func readPasswords(path string) (Passwords, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(io.LimitReader(f, mostFile))
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, err
	}
	p, err := DecodePasswords(b)
	if err != nil {
		return nil, fmt.Errorf("%s: %w: remove the file, then set the passwords again with kerfwind password", path, err)
	}
	return p, nil
}

// PasswordFile holds the keys of the passwords, in the state folder.
const PasswordFile = "passwords.json"

// AuditFile is the record of what was changed on the page, in the state folder.
const AuditFile = "audit.jsonl"

// SetPassword puts a key in the place of a role's old one; "" takes it away.
func SetPassword(folder string, role Role, key Key) error {
	all, err := readPasswords(filepath.Join(folder, PasswordFile))
	if errors.Is(err, os.ErrNotExist) {
		all, err = Passwords{}, nil
	}
	if err != nil {
		return err
	}
	if key == "" && all[role] == "" {
		return fmt.Errorf("there is no password to %s", role.Words())
	}
	all[role] = key
	if key == "" {
		delete(all, role)
	}
	data, err := all.Encode()
	if err != nil {
		return err
	}
	return state.WriteSecret(folder, PasswordFile, data)
}
