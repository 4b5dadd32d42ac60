package folder

import (
	"context"
	"errors"
	"fmt"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"faultkeep/sources"
	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// kit is what all recordings of a set have in common.
type kit struct {
	hash    string
	decoder string
	known   Arrival
}

func (r *Reader) keepRecords(ctx context.Context, k Drafter, b batch, t kit, records []format.Record) (Outcome, error) {
	var out Outcome
	size := 0
	for _, f := range b.all() {
		size += len(f.Bytes)
	}
	for i, rec := range records {
		n := i + 1
		if id, known := t.known.IDs[n]; known && t.known.Of == len(records) {
			out.Known = append(out.Known, id)
			continue
		}
		opened := time.Now().UTC()
		c := r.captureOf(b, rec)
		c.Provenance.Identity = capture.ContentIdentity(t.hash, n, len(records))
		c.Provenance.Map = t.decoder
		c.Provenance.Opened, c.Provenance.Pulled = opened, opened
		c.ID = capture.NewID(c.Trigger.Time, c.Drive, c.Provenance.Identity)
		encoding, data := format.Originals(rec.Series)
		c.Encoding = encoding
		c.Integrity = capture.Integrity{Whole: true, Size: encoding.Size(), Verified: []string{"read to its end as " + t.decoder}}
		chunks := []capture.Chunk{{Part: capture.Data, Bytes: data}}
		if i == 0 || size*n <= mostRepeats {
			chunks = append(chunks, parts(&c, b.all())...)
		} else {
			note(&c, "The file holds many recordings; its bytes are kept with the first of them.")
		}
		kept, err := keep(ctx, k, c, chunks)
		switch {
		case errors.Is(err, sources.ErrKept):
			out.Known = append(out.Known, c.ID)
		case err != nil:
			return out, err
		default:
			out.Kept = append(out.Kept, kept)
		}
	}
	return out, nil
}

// keep makes one capture durable, all in one transaction.
func keep(ctx context.Context, k Drafter, c capture.Capture, chunks []capture.Chunk) (capture.Capture, error) {
	d, err := k.Draft(ctx, c)
	if err != nil {
		return c, err
	}
	c.ID = d.Opening().ID
	kept, err := d.Keep(ctx, c, chunks...)
	if err != nil && len(d.Have()) == 0 {
		_ = d.Drop(ctx) // only a place in memory was taken
	}
	return kept, err
}

// captureOf is what a recording says, and whose it is.
func (r *Reader) captureOf(b batch, rec format.Record) capture.Capture {
	c := r.opening(b)
	paths := r.paths(b)
	c.Drive = r.driveOf(&c, paths, rec)
	c.Title = r.titleOf(c.Drive)
	if code := orWord(r.fault.find(paths, rec), rec.Field("fault"), r.Config.Fault); code != "" {
		c.Fault = r.Faults.Shown(clip(shown(code), 60))
	}
	c.Channels, c.Timing = channels(rec.Channels), rec.Timing
	c.Trigger.Index = rec.Trigger
	if at := rec.Time.UTC(); !at.IsZero() && at.Year() >= 1970 && at.Year() < 2200 {
		c.Trigger.Time, c.Trigger.Drive = at, &at
		if at.After(b.seen.Add(24 * time.Hour)) {
			note(&c, "It says that it triggered after it was found: a clock or the zone is wrong.")
		}
	} else {
		note(&c, "It doesn't tell when it triggered; the time when it was last written stands for that.")
	}
	for i, f := range rec.Fields {
		if i == mostWords {
			note(&c, fmt.Sprintf("Its header says %d things; the first %d are kept beside its bytes.", len(rec.Fields), mostWords))
			break
		}
		c.Settings = append(c.Settings, capture.Setting{Name: clip(shown(f.Name), 100), Value: clip(shown(f.Value), 400), OK: true})
	}
	for i, w := range rec.Warnings {
		if i == mostWords {
			note(&c, fmt.Sprintf("There are %d more such remarks.", len(rec.Warnings)-mostWords))
			break
		}
		note(&c, w)
	}
	return c
}

// opening is what is known of files before they are read.
func (r *Reader) opening(b batch) capture.Capture {
	at := b.files[0].Modified
	for _, f := range b.files {
		if f.Modified.After(at) {
			at = f.Modified
		}
	}
	if at.Year() < 1970 || at.Year() >= 2200 {
		at = b.seen
	}
	at, seen := at.UTC(), b.seen.UTC()
	c := capture.Capture{Drive: orWord(r.Config.Drive, r.Config.Name, "import"), Trigger: capture.Trigger{Time: at, Latest: seen}}
	address := b.files[0].Path
	if b.inZip != "" {
		address = b.inZip + "!" + address
	}
	c.Provenance = capture.Provenance{Source: orWord(r.Source, "folder"), Folder: r.Config.Name, Address: shown(filepath.Join(r.Root, filepath.FromSlash(address))), Ready: seen}
	for _, f := range b.all() {
		c.Provenance.Files = append(c.Provenance.Files, capture.File{Name: shown(f.Path), Size: int64(len(f.Bytes)), Modified: f.Modified.UTC()})
	}
	return c
}

// paths are what the config's expressions look at.
func (r *Reader) paths(b batch) []string {
	var out []string
	for _, f := range b.files {
		p := f.Path
		if b.inZip != "" {
			p = path.Join(b.inZip, p)
		}
		out = append(out, shown(p))
	}
	return out
}

func (r *Reader) driveOf(c *capture.Capture, paths []string, rec format.Record) string {
	found := r.drive.find(paths, rec)
	if found == "" {
		if r.drive != nil {
			note(c, "Neither its name nor its header says whose it is in the way that the config describes.")
		}
		return c.Drive
	}
	return clip(shown(found), 150)
}

func (r *Reader) titleOf(drive string) string {
	if title := r.Titles[drive]; title != "" || drive != r.Config.Name {
		return title
	}
	return r.Config.Title // nothing tells whose the files are
}

// channels gives every channel a name and a role, in valid text.
func channels(list []capture.Channel) []capture.Channel {
	out := slices.Clone(list)
	for i := range out {
		c := &out[i]
		c.Name, c.Unit = strings.ToValidUTF8(c.Name, "�"), strings.ToValidUTF8(c.Unit, "�")
		if c.Name == "" {
			c.Name = fmt.Sprintf("channel %d", i+1)
		}
		if !slices.Contains(capture.Roles, c.Role) {
			c.Role = capture.RoleOther
		}
		bits := slices.Clone(c.Bits)
		for j := range bits {
			bits[j] = strings.ToValidUTF8(bits[j], "�")
		}
		c.Bits = bits
	}
	return out
}

// parts are the files' bytes as parts of the originals; c is told their names.
func parts(c *capture.Capture, files []File) []capture.Chunk {
	taken := map[string]bool{}
	var chunks []capture.Chunk
	for i, f := range files {
		name := partOf(f.Path, taken)
		c.Provenance.Files[i].Part = name
		if len(f.Bytes) == 0 {
			c.Provenance.Files[i].Part = "" // nothing can be stored of an empty file
			continue
		}
		chunks = append(chunks, capture.Chunk{Part: name, Bytes: f.Bytes})
	}
	return chunks
}

// KeepUnread keeps the bytes of files that can't be decoded, with the reason.
func (r *Reader) KeepUnread(ctx context.Context, k Drafter, files, extra []File, seen time.Time, why error) (capture.Capture, error) {
	if err := r.Prepare(); err != nil {
		return capture.Capture{}, err
	}
	return r.keepUnread(ctx, k, batch{files: files, extra: extra, seen: seen}, why)
}

func (r *Reader) keepUnread(ctx context.Context, k Drafter, b batch, why error) (capture.Capture, error) {
	c := r.opening(b)
	c.Drive = r.driveOf(&c, r.paths(b), format.Record{})
	c.Title, c.Provenance.Warnings = r.titleOf(c.Drive), nil
	c.Origin = capture.Unread
	hash := Hash(b.files)
	c.Provenance.Identity = capture.ContentIdentity(hash, 1, 1)
	c.Provenance.Opened, c.Provenance.Pulled = time.Now().UTC(), time.Now().UTC()
	c.ID = capture.NewID(c.Trigger.Time, c.Drive, "unread "+hash).Unread()
	c.Integrity = capture.Integrity{Why: endStop(clip(shown(why.Error()), 1000))}
	kept, err := keep(ctx, k, c, parts(&c, b.all()))
	if errors.Is(err, sources.ErrKept) {
		return c, nil
	}
	return kept, err
}

// note adds a remark that is kept with the capture.
func note(c *capture.Capture, text string) {
	c.Provenance.Warnings = append(c.Provenance.Warnings, clip(shown(text), 500))
}

func endStop(s string) string {
	if s != "" && !strings.HasSuffix(s, ".") {
		s += "."
	}
	return s
}

func orWord(words ...string) string {
	for _, w := range words {
		if w = strings.TrimSpace(w); w != "" && utf8.ValidString(w) {
			return w
		}
	}
	return ""
}

func baseOf(p string) string { return path.Base(p) }
