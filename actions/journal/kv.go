package journal

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/base64"
	"errors"
)

// Get returns what was put under key, and false where nothing was.
func (r *Reader) Get(ctx context.Context, key string) ([]byte, bool, error) {
	if r.db == nil {
		return nil, false, nil
	}
	var value []byte
	err := r.db.QueryRowContext(ctx, "SELECT value FROM kv WHERE key = ?", key).Scan(&value)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, false, nil
	case err != nil:
		return nil, false, r.explain("read", err)
	}
	return value, true, nil
}

// Put keeps value under key, in place of what was there. It is durable when it returns.
func (j *Journal) Put(ctx context.Context, key string, value []byte) error {
	if value == nil {
		value = []byte{}
	}
	return j.change(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO kv (key, value) VALUES (?, ?) ON CONFLICT DO UPDATE SET value = excluded.value", key, value)
		return err
	})
}

// Secret returns the secret called name: 32 random bytes in unpadded base64url (RFC 4648 5), made when it is first
// asked for. It is durable when it returns.
func (j *Journal) Secret(ctx context.Context, name string) (string, error) {
	_, err := j.makeSecret(ctx, name, "DO NOTHING")
	if err != nil {
		return "", err
	}
	value, _, err := j.Get(ctx, secretKey(name))
	return string(value), err
}

// MadeSecret returns the secret called name, and "" where none was made yet.
func (r *Reader) MadeSecret(ctx context.Context, name string) (string, error) {
	value, _, err := r.Get(ctx, secretKey(name))
	return string(value), err
}

// NewSecret puts a new secret in the place of the one called name, and returns it.
func (j *Journal) NewSecret(ctx context.Context, name string) (string, error) {
	return j.makeSecret(ctx, name, "DO UPDATE SET value = excluded.value")
}

func (j *Journal) makeSecret(ctx context.Context, name, conflict string) (string, error) {
	random := make([]byte, 32)
	if _, err := rand.Read(random); err != nil {
		return "", err
	}
	secret := base64.RawURLEncoding.EncodeToString(random)
	return secret, j.change(ctx, func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "INSERT INTO kv (key, value) VALUES (?, ?) ON CONFLICT "+conflict, secretKey(name), []byte(secret))
		return err
	})
}

func secretKey(name string) string { return "secret/" + name }

// change runs do in one transaction of the writing connection and explains its error.
func (j *Journal) change(ctx context.Context, do func(*sql.Tx) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	return j.explain("write", inTx(ctx, j.w, do))
}
