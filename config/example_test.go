package config

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestExampleIsKept(t *testing.T) {
	file := folder + "full.toml"
	if *update {
		if err := os.WriteFile(file, example(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	kept, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(kept), string(example())); d != "" {
		t.Errorf("full.toml is not what the table of keys makes; run with -update: %s", d)
	}
}

func TestExampleShowsEveryKindOfLink(t *testing.T) {
	shown := map[string]bool{}
	for _, c := range linkChapters() {
		shown[c.what] = true
	}
	for _, k := range linkKinds() {
		if !shown[k.protocol] {
			t.Errorf("no chapter of the example shows a link of kind %s", k.protocol)
		}
	}
}

// partners are keys that make sense only together.
func partners() map[string][]string {
	return map[string][]string{
		"password_file": {"user"}, "digest": {"user", "password_file"}, "cert_file": {"key_file"}, "key_file": {"cert_file"},
		"tls_cert": {"tls_key"}, "tls_key": {"tls_cert"}, "hygiene.reach": {"hygiene.every", "level"}, "hygiene.every": {"hygiene.reach", "level"},
	}
}

// Every key of the example is taken up by itself, with its partners, in the file and then from the environment, and is
// to be accepted or refused as not yet. That also tries that every key can be set from the environment.
func TestEveryKeyOfTheExampleCounts(t *testing.T) {
	dir := secretsFolder(t)
	lines := strings.Split(string(example()), "\n")
	asItStands := write(t, dir, lines)
	for i, line := range lines {
		name, _, ok := strings.Cut(line, " = ")
		if !ok || !strings.HasPrefix(name, "#") || strings.Contains(name, " ") {
			continue
		}
		name = name[1:]
		header := headerOf(lines, i)
		t.Run(header+"."+name, func(t *testing.T) {
			taken := takeUp(lines, i, append(partners()[name], name))
			variables := []string{}
			for j := range taken {
				if taken[j] != lines[j] && !strings.HasPrefix(taken[j], "[") {
					variables = append(variables, asVariable(headerOf(lines, j), taken[j]))
				}
			}
			acceptable(t, Options{File: asItStands, Env: variables})
			acceptable(t, Options{File: write(t, t.TempDir(), taken), Env: []string{}}, dir)
		})
	}
	acceptable(t, Options{File: asItStands, Env: []string{}})
}

// acceptable complains of every fault that is not about what is unbuilt. secrets is the folder that the file's own
// stands for.
func acceptable(t *testing.T, o Options, secrets ...string) {
	t.Helper()
	for _, dir := range secrets {
		if err := os.Symlink(filepath.Join(dir, "secrets"), filepath.Join(filepath.Dir(o.File), "secrets")); err != nil {
			t.Fatal(err)
		}
	}
	_, err := Load(o)
	var all *Error
	if err != nil && !errors.As(err, &all) {
		t.Fatal(err)
	}
	for _, f := range all.faults() {
		if !strings.Contains(f.What, "not yet") {
			t.Error(f)
		}
	}
}

func (e *Error) faults() []Fault {
	if e == nil {
		return nil
	}
	return e.Faults
}

// asVariable turns a line of a table into an entry of the environment.
func asVariable(header, line string) string {
	name, rest, _ := strings.Cut(line, " = ")
	value := strings.TrimSpace(rest[:strings.Index(rest, " # ")])
	if strings.ContainsAny(value[:1], "\"'") {
		value = value[1 : len(value)-1]
	}
	return variable(strings.TrimPrefix(header+"."+name, "top.")) + "=" + value
}

func headerOf(lines []string, i int) string {
	for ; i >= 0; i-- {
		if h := strings.TrimPrefix(lines[i], "#"); strings.HasPrefix(h, "[") {
			return strings.Trim(h, "[]")
		}
	}
	return "top"
}

// takeUp returns the lines with the named keys of the table around line i taken up; all of them where the table itself
// was off.
func takeUp(lines []string, i int, names []string) []string {
	out := append([]string(nil), lines...)
	off := false
	for first := i; lines[first] != ""; first-- {
		off = off || strings.HasPrefix(lines[first], "#[")
		i = first
	}
	for ; lines[i] != ""; i++ {
		name, _, isKey := strings.Cut(strings.TrimPrefix(lines[i], "#"), " = ")
		if isKey && slices.Contains(names, name) || off && !strings.HasPrefix(lines[i], "# ") {
			out[i] = strings.TrimPrefix(lines[i], "#")
		}
	}
	return out
}

func write(t *testing.T, dir string, lines []string) string {
	t.Helper()
	file := filepath.Join(dir, Name)
	if err := os.WriteFile(file, []byte(strings.Join(lines, "\n")), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// secretsFolder makes the files that the example names.
func secretsFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	self := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour)}
	cert, err := x509.CreateCertificate(rand.Reader, self, self, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "secrets"), 0o700); err != nil {
		t.Fatal(err)
	}
	certPEM := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: cert})
	for name, body := range map[string][]byte{
		"password": []byte("x\n"), "token": []byte("x\n"), "hash": []byte("x\n"), "ca.pem": certPEM, "cert.pem": certPEM,
		"key.pem": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}),
	} {
		if err := os.WriteFile(filepath.Join(dir, "secrets", name), body, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}
