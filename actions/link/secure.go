package link

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"strings"

	"spillway/actions"
)

// TLS returns the client side of TLS for a link: TLS 1.2 at least, trusting CAFile alone where it is given and the
// system's authorities otherwise, with the client certificate where there is one. PinSHA (hex, SHA-256 of the server's
// certificate in DER form) admits that certificate and no other; without a CAFile it then takes the authorities' place,
// so that a box with a certificate of its own making can be trusted. Errors name the file.
func TLS(spec actions.Link) (*tls.Config, error) {
	c := &tls.Config{MinVersion: tls.VersionTLS12}
	if spec.CAFile != "" {
		pool, err := authorities(spec.CAFile)
		if err != nil {
			return nil, err
		}
		c.RootCAs = pool
	}
	if spec.CertFile != "" {
		pair, err := tls.LoadX509KeyPair(spec.CertFile, spec.KeyFile)
		if err != nil {
			return nil, fmt.Errorf("read client certificate %s and its key %s: %w", spec.CertFile, spec.KeyFile, err)
		}
		c.Certificates = []tls.Certificate{pair}
	}
	if spec.PinSHA != "" {
		if err := pin(c, spec.PinSHA); err != nil {
			return nil, err
		}
		c.InsecureSkipVerify = spec.CAFile == "" // the pin decides, in VerifyConnection
	}
	return c, nil
}

func authorities(file string) (*x509.CertPool, error) {
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("read ca_file: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("read ca_file %s: there is no certificate in PEM form in it", file)
	}
	return pool, nil
}

func pin(c *tls.Config, hexSHA string) error {
	want, err := hex.DecodeString(strings.ReplaceAll(hexSHA, ":", ""))
	if err != nil || len(want) != sha256.Size {
		return errors.New("the certificate pin is not the 64 hex digits of a SHA-256")
	}
	c.VerifyConnection = func(cs tls.ConnectionState) error {
		got := sha256.Sum256(cs.PeerCertificates[0].Raw)
		if string(got[:]) != string(want) {
			return fmt.Errorf("the server's certificate is %x, which is not the one pinned", got)
		}
		return nil
	}
	return nil
}
