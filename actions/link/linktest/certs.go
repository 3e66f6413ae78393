package linktest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Certs is an authority of the test's own making, with a certificate for a server on 127.0.0.1 and one for a client.
type Certs struct {
	CAFile                string
	ServerFile, ServerKey string
	ClientFile, ClientKey string
	Server                *tls.Config // presents the server's certificate and verifies a client's where it shows one
}

// NewCerts makes the files in a folder of the test.
func NewCerts(t *testing.T) Certs {
	t.Helper()
	dir := t.TempDir()
	c := Certs{
		CAFile:     filepath.Join(dir, "ca.pem"),
		ServerFile: filepath.Join(dir, "server.pem"), ServerKey: filepath.Join(dir, "server.key"),
		ClientFile: filepath.Join(dir, "client.pem"), ClientKey: filepath.Join(dir, "client.key"),
	}
	authority := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test authority"},
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign,
	}
	key := sign(t, authority, authority, nil, c.CAFile, "")
	sign(t, &x509.Certificate{
		SerialNumber: big.NewInt(2), Subject: pkix.Name{CommonName: "server"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
	}, authority, key, c.ServerFile, c.ServerKey)
	sign(t, &x509.Certificate{
		SerialNumber: big.NewInt(3), Subject: pkix.Name{CommonName: "spillway"},
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}, authority, key, c.ClientFile, c.ClientKey)

	pair, err := tls.LoadX509KeyPair(c.ServerFile, c.ServerKey)
	if err != nil {
		t.Fatal(err)
	}
	ca, err := os.ReadFile(c.CAFile)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(ca)
	c.Server = &tls.Config{
		MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair},
		ClientCAs: pool, ClientAuth: tls.VerifyClientCertIfGiven,
	}
	return c
}

// sign makes a key and a certificate of c signed by authority (itself where signer is nil), and writes them.
func sign(t *testing.T, c, authority *x509.Certificate, signer *ecdsa.PrivateKey, certFile, keyFile string) *ecdsa.PrivateKey {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if signer == nil {
		signer = key
	}
	c.NotBefore, c.NotAfter = time.Now().Add(-time.Hour), time.Now().Add(24*time.Hour)
	der, err := x509.CreateCertificate(rand.Reader, c, authority, &key.PublicKey, signer)
	if err != nil {
		t.Fatal(err)
	}
	write(t, certFile, "CERTIFICATE", der)
	if keyFile != "" {
		private, err := x509.MarshalECPrivateKey(key)
		if err != nil {
			t.Fatal(err)
		}
		write(t, keyFile, "EC PRIVATE KEY", private)
	}
	return key
}

func write(t *testing.T, file, kind string, der []byte) {
	t.Helper()
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
}
