package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"slices"

	"faultkeep/daemon/config"
	"faultkeep/daemon/web"
	"faultkeep/sources/folder"
	"faultkeep/store/capture"
)

// openFolders makes the config's folders, those of have that are the same
// left as they are. Nothing is read yet.
func openFolders(loaded *config.Loaded, have []*folder.Folder, log *slog.Logger) ([]*folder.Folder, error) {
	var out []*folder.Folder
	for _, f := range loaded.Folders {
		o := folder.Options{Config: f.Config, Decoders: config.FormatsFor(f.Config), Faults: f.Faults, Zone: f.Zone,
			Titles: loaded.Titles(), Notices: true, Log: log}
		if i := slices.IndexFunc(have, func(h *folder.Folder) bool { return sameFolder(h.Options, o) }); i >= 0 {
			out = append(out, have[i])
			continue
		}
		one, err := folder.New(o)
		if err != nil {
			return nil, err
		}
		out = append(out, one)
	}
	return out, nil
}

// Arrived tells a folder what was kept of files; with Files and Remember it
// makes the keeper a folder.Memory.
func (k *keeper) Arrived(ctx context.Context, hash string) (folder.Arrival, error) {
	a, err := k.store.Arrived(ctx, hash)
	return folder.Arrival(a), err
}

// Files are what Remember noted of a folder's files.
func (k *keeper) Files(ctx context.Context, name string) (map[string]string, bool, error) {
	return k.store.Files(ctx, name)
}

// Remember notes what became of a folder's files.
func (k *keeper) Remember(ctx context.Context, name string, notes map[string]string) error {
	return k.store.RememberFiles(ctx, name, notes)
}

var _ folder.Memory = (*keeper)(nil)

// folderNow is a folder among the drives of the page: it is watched, or isn't.
func folderNow(f *folder.Folder, n happening) web.DriveNow {
	now := f.Now()
	d := web.DriveNow{Name: f.Name(), Title: f.Title(), Address: f.Config.Path, State: capture.Unknown, Words: folderWords(now),
		Reachable: now.Trouble == "" && !now.LastSeen.IsZero(), Watched: n.watched, LastSeen: now.LastSeen}
	switch {
	case now.Trouble != "":
		d.Note = now.Trouble
	case !n.watched:
		d.Note = n.note
	}
	return d
}

func folderWords(now folder.Now) string {
	if now.Waiting > 0 {
		return fmt.Sprintf("a folder, %d waiting to be complete", now.Waiting)
	}
	return "a folder"
}
