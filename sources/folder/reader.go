package folder

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"time"

	"faultkeep/sources"
	"faultkeep/sources/faultcode"
	"faultkeep/store/capture"
	"faultkeep/store/format"
)

// Reader makes captures of files. It is what a watched folder, an import and
// a rereading have in common.
type Reader struct {
	Config   Config
	Root     string // of the folder, for addresses; may be empty
	Decoders []format.Decoder
	Faults   faultcode.Tables
	Zone     *time.Location    // of time stamps that name none; nil: UTC
	Group    Group             // nil: ByName
	Source   string            // of the captures; folder where empty
	Archive  string            // path of the archive that the files were taken from, if they were
	Titles   map[string]string // of drives, as people call them
	Again    bool              // also decode what was kept unread before

	drive, fault *rule
	ready        bool
}

// Drafter is what of a Keeper a Reader needs.
type Drafter interface {
	Draft(ctx context.Context, opening capture.Capture) (sources.Draft, error)
}

// Memory is what a Keeper may offer beside: what became of files, across restarts.
type Memory interface {
	// Arrived tells what was kept of files with this content.
	Arrived(ctx context.Context, hash string) (Arrival, error)
	// Files are what Remember noted of a folder's files; begun tells whether
	// anything was ever noted.
	Files(ctx context.Context, folder string) (stamps map[string]string, begun bool, err error)
	// Remember notes stamps by path, durably; an empty one forgets the path.
	Remember(ctx context.Context, folder string, stamps map[string]string) error
}

// Arrival is what was kept of a set of files.
type Arrival struct {
	IDs    map[int]capture.ID // by the number of the recording in the files, from 1
	Of     int                // recordings that the files hold; 0: nothing was kept
	Unread bool               // kept unread
}

// Whole tells whether every recording of the files is kept.
func (a Arrival) Whole() bool { return a.Of > 0 && len(a.IDs) >= a.Of }

// Outcome is what became of files.
type Outcome struct {
	Kept  []capture.Capture // made by this call
	Known []capture.ID      // kept before
	Loose bool              // some of the bytes aren't kept: comments on what was kept before
}

func (o *Outcome) add(other Outcome) {
	o.Kept = append(o.Kept, other.Kept...)
	o.Known = append(o.Known, other.Known...)
	o.Loose = o.Loose || other.Loose
}

// Unreadable is the error for files that can't be decoded.
type Unreadable struct{ Err error }

func (e *Unreadable) Error() string { return e.Err.Error() }
func (e *Unreadable) Unwrap() error { return e.Err }

// Prepare compiles the config's expressions.
func (r *Reader) Prepare() (err error) {
	if r.ready {
		return nil
	}
	if r.drive, err = compile(r.Config.DriveFrom, "drive"); err != nil {
		return fmt.Errorf("drive_from: %w", err)
	}
	if r.fault, err = compile(r.Config.FaultFrom, "fault"); err != nil {
		return fmt.Errorf("fault_from: %w", err)
	}
	if r.Zone == nil {
		r.Zone = time.UTC
	}
	if r.Group == nil {
		r.Group = ByName
	}
	r.ready = true
	return nil
}

// Keep decodes one set of files and keeps every recording in it. It returns
// nil only when all are durable and read back. An error that is an *Unreadable
// is the files' fault (it wraps format.ErrIncomplete where more may come); any
// other one is the store's, and keeping can be tried again.
//
// seen is when the files were found to be finished.
func (r *Reader) Keep(ctx context.Context, k Drafter, files, extra []File, seen time.Time) (Outcome, error) {
	if err := r.Prepare(); err != nil {
		return Outcome{}, err
	}
	if len(files) == 1 && isArchive(files[0].Path) {
		return r.keepArchive(ctx, k, files[0], seen)
	}
	return r.keepSet(ctx, k, batch{files: files, extra: extra, inZip: r.Archive, seen: seen})
}

// batch is a set of files on its way into the store.
type batch struct {
	files []File
	extra []File
	inZip string // path of the archive that they are from
	seen  time.Time
}

func (b batch) all() []File { return slices.Concat(b.files, b.extra) }

// Hash is the SHA-256 of the content of files that belong together, whatever
// they are called and in whatever order they come. Of one file it is the
// file's own, as sha256sum gives it.
func Hash(files []File) string {
	if len(files) == 1 {
		sum := sha256.Sum256(files[0].Bytes)
		return hex.EncodeToString(sum[:])
	}
	var sums []string
	for _, f := range files {
		sum := sha256.Sum256(f.Bytes)
		sums = append(sums, extension(f.Path)+"\x00"+string(sum[:]))
	}
	slices.Sort(sums)
	all := sha256.New()
	for _, s := range sums {
		all.Write([]byte(s))
	}
	return hex.EncodeToString(all.Sum(nil))
}

func (r *Reader) keepSet(ctx context.Context, k Drafter, b batch) (Outcome, error) {
	hash := Hash(b.files)
	known, err := arrived(ctx, k, hash)
	if err != nil {
		return Outcome{}, err
	}
	if known.Whole() && (!known.Unread || !r.Again) {
		return Outcome{Known: idsOf(known), Loose: len(b.extra) > 0}, nil
	}
	records, decoder, err := r.decode(ctx, b.all())
	if err != nil {
		return Outcome{}, err
	}
	if known.Unread {
		known = Arrival{}
	}
	return r.keepRecords(ctx, k, b, kit{hash: hash, decoder: decoder, known: known}, records)
}

func arrived(ctx context.Context, k Drafter, hash string) (Arrival, error) {
	if m, ok := k.(Memory); ok {
		return m.Arrived(ctx, hash)
	}
	return Arrival{}, nil
}

func idsOf(a Arrival) []capture.ID {
	var ids []capture.ID
	for _, id := range a.IDs {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b capture.ID) int { return cmp.Compare(a, b) })
	return ids
}

// decode reads files by the format that the config names, or the first that
// takes them for its own.
func (r *Reader) decode(ctx context.Context, files []File) ([]format.Record, string, error) {
	list := toFormat(files)
	d, err := r.decoderOf(list)
	if err != nil {
		return nil, "", &Unreadable{err}
	}
	records, err := decodeGuarded(ctx, d, list, format.Options{Zone: r.Zone})
	if ctx.Err() != nil {
		return nil, "", ctx.Err()
	}
	if err == nil {
		err = checkRecords(list[0].Name, records)
	}
	if err != nil {
		return nil, "", &Unreadable{err}
	}
	return records, d.Name(), nil
}

func toFormat(files []File) []format.File {
	list := make([]format.File, len(files))
	for i, f := range files {
		list[i] = format.File{Name: baseOf(f.Path), Bytes: f.Bytes}
	}
	return list
}

func (r *Reader) decoderOf(list []format.File) (format.Decoder, error) {
	auto := r.Config.Format == "" || r.Config.Format == Auto
	for _, d := range r.Decoders {
		if !auto && d.Name() == r.Config.Format || auto && d.Sniff(list) {
			return d, nil
		}
	}
	e := &format.Error{File: shown(list[0].Name), What: "looks like no format that faultkeep reads", Hint: "name its format in the config, or leave such files out there"}
	if !auto {
		e.What, e.Hint = fmt.Sprintf("is to be read as %s, a format that faultkeep doesn't know", r.Config.Format), "mend format: in the config"
	}
	return nil, e
}

// decodeGuarded takes a decoder's panic for an error: a file must never stop the watch.
func decodeGuarded(ctx context.Context, d format.Decoder, list []format.File, o format.Options) (records []format.Record, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &format.Error{File: shown(list[0].Name), What: fmt.Sprintf("made the reading as %s break off: %v", d.Name(), p)}
		}
	}()
	return d.Decode(ctx, list, o)
}

// checkRecords holds decoders to what they promise.
func checkRecords(name string, records []format.Record) error {
	bad := func(what string, args ...any) error {
		return &format.Error{File: shown(name), What: fmt.Sprintf(what, args...)}
	}
	if len(records) == 0 {
		return bad("holds no recording")
	}
	if len(records) > mostRecords {
		return bad("holds %d recordings, more than the %d that faultkeep reads of one file", len(records), mostRecords)
	}
	for i, rec := range records {
		switch {
		case len(rec.Channels) == 0 || rec.Timing.Samples <= 0:
			return bad("recording %d has no channels or no samples", i+1)
		case len(rec.Series) != len(rec.Channels):
			return bad("recording %d names %d channels and has %d", i+1, len(rec.Channels), len(rec.Series))
		case rec.Trigger < 0 || rec.Trigger > rec.Timing.Samples:
			return bad("recording %d has its trigger at sample %d of %d", i+1, rec.Trigger, rec.Timing.Samples)
		}
		for ch, s := range rec.Series {
			if len(s) != rec.Timing.Samples {
				return bad("recording %d has %d samples of %q and %d in all", i+1, len(s), rec.Channels[ch].Name, rec.Timing.Samples)
			}
		}
	}
	return nil
}

// keepArchive keeps every set of an archive. An archive is all there, so a set
// in it that can't be decoded is kept unread at once. What no format claims,
// such as a note, is kept beside the first set; an archive without any set
// that a format claims is unreadable as a whole.
func (r *Reader) keepArchive(ctx context.Context, k Drafter, archive File, seen time.Time) (Outcome, error) {
	hash := Hash([]File{archive})
	known, err := arrived(ctx, k, hash)
	if err != nil {
		return Outcome{}, err
	}
	if known.Whole() && !(known.Unread && r.Again) {
		return Outcome{Known: idsOf(known)}, nil
	}
	files, err := unpack(archive, r.Zone)
	if err != nil {
		return Outcome{}, &Unreadable{err}
	}
	batches, comments := r.claimed(files, archive.Path, seen)
	if len(batches) == 0 {
		return Outcome{}, &Unreadable{&format.Error{File: shown(baseOf(archive.Path)), What: "holds no file of a format that faultkeep reads", Hint: "name the format in the config"}}
	}
	var out Outcome
	for _, b := range batches {
		b.extra = append(b.extra, comments...)
		one, err := r.keepSet(ctx, k, b)
		var unreadable *Unreadable
		if errors.As(err, &unreadable) {
			var c capture.Capture
			if c, err = r.keepUnread(ctx, k, b, err); err == nil {
				one.Kept = []capture.Capture{c}
			}
		}
		if err != nil {
			return out, err
		}
		if len(one.Kept) > 0 {
			comments = nil
		}
		one.Loose = false // told of all of them below
		out.add(one)
	}
	out.Loose = len(comments) > 0
	return out, nil
}

// claimed are the sets of an archive's files that a format claims, and the
// files that none does.
func (r *Reader) claimed(files []File, archive string, seen time.Time) (batches []batch, comments []File) {
	byPath := map[string]File{}
	var paths []string
	for _, f := range files {
		byPath[f.Path] = f
		paths = append(paths, f.Path)
	}
	slices.Sort(paths)
	pick := func(paths []string) (out []File) {
		for _, p := range paths {
			out = append(out, byPath[p])
		}
		return out
	}
	for _, set := range r.Group(paths) {
		b := batch{files: pick(set.Files), extra: pick(set.Extra), inZip: archive, seen: seen}
		list := toFormat(b.all())
		if d, err := r.decoderOf(list); err == nil && d.Sniff(list) {
			batches = append(batches, b)
		} else {
			comments = append(comments, b.all()...)
		}
	}
	return batches, comments
}
