package archive

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"

	"faultkeep/daemon/web/wire"
	"faultkeep/store"
	"faultkeep/store/capture"
)

// Mark changes the marks of captures.
func (k *Kept) Mark(ctx context.Context, m wire.Marking) error {
	var err error
	switch {
	case m.Reviewed == nil:
	case *m.Reviewed:
		err = k.store.Review(ctx, m.IDs...)
	default:
		err = k.store.Unreview(ctx, m.IDs...)
	}
	for _, id := range m.IDs {
		if err == nil && m.Pinned != nil {
			err = k.store.Pin(ctx, id, *m.Pinned)
		}
		if err == nil && (m.Note != "" || len(m.Tags)+len(m.Untag) > 0) {
			err = k.store.Remark(ctx, id, capture.Note{By: m.By, Text: m.Note}, m.Tags, m.Untag)
		}
		if err == nil && m.DropNote != nil {
			err = k.store.DropNote(ctx, id, *m.DropNote)
		}
	}
	if errors.Is(err, store.ErrRefused) {
		return wire.Say(wire.ErrRequest, err.Error())
	}
	return told("", err)
}

// Marks are what people said of captures; those without any are left out.
func (k *Kept) Marks(ctx context.Context, ids []capture.ID) (map[capture.ID]wire.Marks, error) {
	marks, err := k.store.MarksOf(ctx, ids...)
	if err != nil {
		return nil, told("", err)
	}
	remarks, err := k.store.Remarks(ctx, ids...)
	if err != nil {
		return nil, told("", err)
	}
	out := map[capture.ID]wire.Marks{}
	for _, id := range ids {
		m, r := marks[id], remarks[id]
		if m != (store.Marks{}) || len(r.Notes)+len(r.Tags) > 0 {
			out[id] = wire.Marks{Pinned: m.Pinned, Reviewed: m.Reviewed, Remarks: r}
		}
	}
	return out, nil
}

func (c *client) Mark(ctx context.Context, m wire.Marking) error {
	b, err := json.Marshal(m)
	if err != nil {
		return err
	}
	answer, err := c.send(ctx, http.MethodPost, bytes.NewReader(b), int64(len(b)), "", nil, "mark")
	if err != nil {
		return err
	}
	return answer.Body.Close()
}

func (c *client) Marks(ctx context.Context, ids []capture.ID) (out map[capture.ID]wire.Marks, err error) {
	q := url.Values{}
	for _, id := range ids {
		q.Add("id", string(id))
	}
	err = c.get(ctx, "", &out, q, "marks")
	return out, err
}
