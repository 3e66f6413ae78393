package config

import (
	"crypto/x509"
	"io"
	"io/fs"
	"os"
	"runtime"
	"strings"

	"spillway/actions"
)

// secret reads what is named NAME in the environment or stands in the file that NAME_file names; "" where neither is
// given. Neither it nor what is wrong with it is ever shown.
func (s section) secret(name string) actions.Secret {
	if s.given(name) {
		v := s.text(name)
		if s.given(name+"_file") && s.node(name+"_file").name != "" {
			s.fail(name, "is set, and %s too: once at most", variable(join(s.path, name+"_file")))
		}
		return actions.Secret(v)
	}
	if !s.given(name + "_file") {
		return ""
	}
	before := len(s.l.faults)
	body := strings.TrimRight(string(s.file(name+"_file", 64<<10)), "\r\n")
	switch {
	case body == "" && len(s.l.faults) == before:
		s.fail(name+"_file", "is empty: the file is to hold the secret and nothing else")
	case strings.ContainsAny(body, "\r\n\x00"):
		s.fail(name+"_file", "holds more than one line: it is to hold the secret and nothing else")
	}
	return actions.Secret(body)
}

// file reads the file that a key names.
func (s section) file(name string, most int64) []byte {
	p := s.l.path(s.text(name))
	info, err := os.Stat(p)
	if err != nil {
		s.fail(name, "cannot be read: %v (%s)", cause(err), p)
		return nil
	}
	body, err := readSome(p, most)
	switch {
	case err != nil:
		s.fail(name, "cannot be read: %v (%s)", cause(err), p)
	case int64(len(body)) > most:
		s.fail(name, "is larger than any such file: %s", p)
	}
	public := strings.HasSuffix(name, "ca_file") || strings.HasSuffix(name, "cert_file") || name == "tls_cert"
	switch mode := info.Mode(); {
	case public || mode&fs.ModeType != 0 || runtime.GOOS == "windows": // there the bits say nothing
	case mode.Perm()&0o007 != 0:
		s.fail(name, "everybody on this machine may read or change it: chmod 600 %s", p)
	case mode.Perm()&0o070 != 0:
		s.note(name, "its group may read it: chmod 600 %s, unless that is meant", p)
	}
	return body
}

// readSome reads a file up to a little more than most bytes, so that one without an end costs nothing.
func readSome(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, most+1))
}

// certificates returns the path of a PEM file and checks that there is a certificate in it.
func (s section) certificates(name string) string {
	if !s.given(name) {
		return ""
	}
	before := len(s.l.faults)
	body := s.file(name, 8<<20)
	if len(s.l.faults) == before && !x509.NewCertPool().AppendCertsFromPEM(body) {
		s.fail(name, "holds no certificate in PEM form")
	}
	return s.l.path(s.text(name))
}

// keyPair returns the paths of a certificate and its key, which come together.
func (s section) keyPair(cert, key string) (certFile, keyFile string) {
	switch {
	case s.given(cert) && !s.given(key):
		s.fail(cert, "needs its key: write %s too", key)
	case s.given(key) && !s.given(cert):
		s.fail(key, "is the key of nothing: write %s too", cert)
	}
	certFile = s.certificates(cert)
	if s.given(key) {
		s.file(key, 8<<20)
		keyFile = s.l.path(s.text(key))
	}
	return certFile, keyFile
}
