package publish

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/google/renameio/v2/maybe"
)

// WriteFile brings the file at path up to date, whole or not at all, and reports whether it had to. A file that holds
// the same bytes is not touched, so that nothing that watches it wakes.
func WriteFile(path string, r *Rendering) (changed bool, err error) {
	have, err := os.ReadFile(path)
	switch {
	case err == nil && bytes.Equal(have, r.Body):
		return false, nil
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return false, fmt.Errorf("publish to file: %w", err)
	}
	// On Windows a file cannot be replaced in one step; there it is written in place.
	if err := maybe.WriteFile(path, r.Body, 0o644); err != nil {
		return false, fmt.Errorf("publish to file: %w: check that its folder is there and can be written to", err)
	}
	return true, nil
}
