package feed

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"spillway/calendar"
)

// racy is how old a file's time must be before it is trusted to tell a later change: file systems count time in steps
// of up to 2 s (FAT; from memory).
const racy = 2 * time.Second

// A disk source is a file, or a folder of .ics files. Which of the two is looked up at each poll.
type disk struct {
	spec Spec
	path string
	// stream lets a pipe or terminal be read, for an address given on the command line.
	stream bool
}

func (*disk) close() {}

func (d *disk) poll(ctx context.Context, last Saved, full bool, _ time.Time) (Saved, []calendar.Problem, error) {
	info, err := os.Stat(d.path)
	if err != nil {
		return Saved{}, nil, err
	}
	if full {
		last.Parts = unstamped(last.Parts)
	}
	if info.IsDir() {
		return d.folder(ctx, last)
	}
	s, err := d.file(info, last)
	return s, nil, err
}

// unstamped makes every file look changed, so that it is read.
func unstamped(parts []Part) []Part {
	parts = slices.Clone(parts)
	for i := range parts {
		parts[i].Stamp = ""
	}
	return parts
}

func (d *disk) file(info os.FileInfo, last Saved) (Saved, error) {
	stamp := stampOf(info)
	if stamp != "" && len(last.Parts) == 1 && last.Parts[0].Name == "" && last.Parts[0].Stamp == stamp {
		return last, nil
	}
	if !info.Mode().IsRegular() && !d.stream {
		return Saved{}, fault(nil, "point "+d.spec.key("url")+" at a file or a folder", "is neither a file nor a folder")
	}
	body, same, err := readFile(d.path, last.Body, d.spec.MaxBody)
	if err == nil && !same {
		err = checkBody(body)
	}
	if err != nil {
		return Saved{}, bodyFault(err, d.spec)
	}
	return Saved{Body: body, Parts: []Part{{Line: 1, Stamp: stamp}}, Full: last.Full}, nil
}

func readFile(path string, old []byte, most int64) ([]byte, bool, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, false, err
	}
	defer func() { _ = f.Close() }()
	size := int64(0)
	if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
		size = info.Size()
	}
	return readBody(f, old, most, size)
}

// stampOf tells a later change of the file, or is "" where the file is too new for its time to do so.
func stampOf(info os.FileInfo) string {
	// The file system's clock is the machine's, whatever clock the feed is given.
	if !info.Mode().IsRegular() || time.Since(info.ModTime()) < racy {
		return ""
	}
	return fmt.Sprintf("%d/%d", info.ModTime().UnixNano(), info.Size())
}

// folder joins the .ics files by name. While every stamp holds, nothing is read.
func (d *disk) folder(ctx context.Context, last Saved) (Saved, []calendar.Problem, error) {
	files, err := listFolder(d.path)
	if err != nil {
		return Saved{}, nil, err
	}
	if last.Body != nil && unchangedFolder(files, last.Parts) {
		return last, nil, nil
	}
	var total int64
	old := last.members()
	pieces := make([]piece, 0, len(files))
	for _, f := range files {
		if err := ctx.Err(); err != nil {
			return Saved{}, nil, err
		}
		p := d.member(f, old[f.name], d.spec.MaxBody-total)
		if errors.Is(p.err, ErrTooBig) && f.size <= d.spec.MaxBody {
			return Saved{}, nil, tooBig(d.spec)
		}
		total += int64(len(p.body))
		pieces = append(pieces, p)
	}
	body, parts, problems, err := assemble(last.Body, old, pieces)
	if err != nil {
		return Saved{}, nil, bodyFault(err, d.spec)
	}
	return Saved{Body: body, Parts: parts, Full: last.Full}, problems, nil
}

// member reads one file of the folder, or takes it from old where its stamp holds.
func (d *disk) member(f folderFile, old member, most int64) piece {
	p := piece{name: f.name, stamp: f.stamp}
	if old.body != nil && f.stamp != "" && old.stamp == f.stamp {
		p.body = old.body
		return p
	}
	if p.err = f.err; p.err == nil {
		p.body, _, p.err = readFile(filepath.Join(d.path, f.name), old.body, most)
	}
	if p.err == nil {
		p.err = checkBody(p.body)
	}
	if p.err != nil {
		p.body, p.err = nil, root(p.err)
	}
	return p
}

type folderFile struct {
	name, stamp string
	size        int64
	err         error
}

// listFolder gives the .ics files of a folder in the order of their names, without those that begin with a dot: editors
// and synchronisers keep unfinished files under such names.
func listFolder(path string) ([]folderFile, error) {
	entries, err := os.ReadDir(path)
	if err != nil {
		return nil, err
	}
	var files []folderFile
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") || !strings.EqualFold(filepath.Ext(e.Name()), ".ics") {
			continue
		}
		info, err := os.Stat(filepath.Join(path, e.Name())) // through symbolic links
		switch {
		case err != nil:
			files = append(files, folderFile{name: e.Name(), err: err})
		case info.IsDir():
		case !info.Mode().IsRegular():
			files = append(files, folderFile{name: e.Name(), err: errors.New("it is no file")})
		default:
			files = append(files, folderFile{name: e.Name(), stamp: stampOf(info), size: info.Size()})
		}
	}
	return files, nil
}

func unchangedFolder(files []folderFile, parts []Part) bool {
	if len(files) != len(parts) {
		return false
	}
	for i, f := range files {
		if f.stamp == "" || f.name != parts[i].Name || f.stamp != parts[i].Stamp {
			return false
		}
	}
	return true
}
