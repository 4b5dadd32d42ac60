package study

import (
	"context"
	"slices"
	"strings"
	"time"

	"faultkeep/daemon/analysis/likeness"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// groupOf names the captures that a capture can be compared with: those of one
// drive type and fault code. "" for what is no recording.
func groupOf(c capture.Capture) string {
	if c.Origin != capture.Recorded {
		return ""
	}
	return kindOf(c) + cutShort(codeOf(c.Fault), 60)
}

// kindOf is how the groups of a drive type begin.
func kindOf(c capture.Capture) string {
	kind := c.DriveType
	if kind == "" {
		kind = c.Drive // of a folder's files; its channels are at least always the same
	}
	return cutShort(kind, 120) + " "
}

func cutShort(s string, n int) string { return s[:min(len(s), n)] }

// known are the captures of a group with their families; those whose picture
// is damaged or of another version are left out until they are made again.
func (d *Desk) known(ctx context.Context, group string, c capture.Capture) ([]likeness.Known, error) {
	prints, err := d.store.Prints(ctx, group)
	if err != nil {
		return nil, err
	}
	out := make([]likeness.Known, 0, len(prints))
	words := names{}
	for _, p := range prints {
		one, err := unpack(p.Bytes, words)
		if err != nil {
			continue
		}
		out = append(out, likeness.Known{ID: p.ID, DriveType: c.DriveType, Fault: c.Fault, Time: p.Trigger, Family: one.Family, Print: one.Print})
	}
	return out, nil
}

// place finds the family of a capture that was just looked at, and gives the
// prints to store: its own, and that of another one with which it makes a new family.
func (d *Desk) place(ctx context.Context, c capture.Capture, print likeness.Print) (map[capture.ID][]byte, likeness.Placement, error) {
	among, err := d.known(ctx, groupOf(c), c)
	if err != nil {
		return nil, likeness.Placement{}, err
	}
	placed := likeness.Place(likeness.Known{ID: c.ID, DriveType: c.DriveType, Fault: c.Fault, Time: c.Trigger.Time, Print: print}, among)
	out := map[capture.ID][]byte{c.ID: printed{placed.Family, print}.pack()}
	for _, k := range among {
		if k.ID == placed.With && placed.With != "" {
			out[k.ID] = printed{placed.Family, k.Print}.pack()
		}
	}
	return out, placed, nil
}

// alike is the finding on which others look like a capture, as of now.
func (d *Desk) alike(ctx context.Context, c capture.Capture, st store.Studied, zone *time.Location) (capture.Finding, bool) {
	own, err := unpack(st.Print, names{})
	if err != nil {
		return capture.Finding{}, false
	}
	among, err := d.known(ctx, st.Group, c)
	if err != nil {
		return capture.Finding{}, false
	}
	p := likeness.Place(likeness.Known{ID: c.ID, DriveType: c.DriveType, Fault: c.Fault, Time: c.Trigger.Time, Family: own.Family, Print: own.Print}, among)
	p.Kin = d.kin(ctx, st.Group, c, among)
	return p.Finding(zone), true
}

// kin are the families and captures of other fault codes that look like a capture
// or its family; among are those of its own code, it included. None where the store
// can't tell.
func (d *Desk) kin(ctx context.Context, own string, c capture.Capture, among []likeness.Known) (out []likeness.Kin) {
	groups, err := d.store.PrintGroups(ctx, kindOf(c))
	if err != nil {
		return nil
	}
	all := slices.Clone(among)
	for _, group := range groups {
		other := c
		other.Fault = capture.Fault{Shown: strings.TrimPrefix(group, kindOf(c))}
		if group == own || strings.Contains(other.Fault.Shown, " ") { // that may be another type of drive, named by more words
			continue
		}
		known, err := d.known(ctx, group, other)
		if err != nil {
			return nil
		}
		all = append(all, known...)
	}
	for _, kin := range likeness.Kindred(all) {
		if !slices.ContainsFunc(kin, func(k likeness.Kin) bool { return slices.Contains(k.Members, c.ID) }) {
			continue
		}
		for _, k := range kin {
			if k.Fault.ShownCode() != c.Fault.ShownCode() {
				out = append(out, k)
			}
		}
	}
	return out
}

// regroup sorts the captures of a group into families anew, whatever the order
// in which they came, and stores what changed; changedAny tells whether something did.
func (d *Desk) regroup(ctx context.Context, group string, c capture.Capture) (changedAny bool, err error) {
	known, err := d.known(ctx, group, c)
	if err != nil || len(known) < 2 {
		return false, err
	}
	family := map[capture.ID]string{}
	for _, f := range likeness.Families(known) {
		for _, id := range f.Members {
			family[id] = f.Name
		}
	}
	changed := map[capture.ID][]byte{}
	for _, k := range known {
		if k.Family != family[k.ID] {
			changed[k.ID] = printed{family[k.ID], k.Print}.pack()
		}
	}
	return len(changed) > 0, d.store.PutPrints(group, changed)
}
