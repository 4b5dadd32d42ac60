package email

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"faultkeep/store/capture"
)

// message is a mail, with its sender's bare address.
type message struct {
	*mail.Msg
	sender string
}

func (m *message) pictures() bool { return len(m.GetEmbeds()) > 0 }

// pictureID is the Content-ID of the capture's picture, within its message.
const pictureID = "picture"

// message is the alert as mail, with the pictures that can be had or without any.
func (s *Sink) message(ctx context.Context, a capture.Alert, illustrated bool) (*message, error) {
	w := s.words(a)
	pictures := map[string][]byte{}
	switch {
	case a.Kind == capture.KindBrief:
		b, err := s.enclose.Brief(ctx, a.Brief)
		if err != nil {
			s.log.Warn("a brief is sent in one sentence, since the rest of it can't be had", "alert", a.ID, "error", err)
			break
		}
		w = told{Subject: line(b.Subject), Text: b.Text}
		if illustrated || len(b.Pictures) == 0 {
			w.HTML, pictures = b.HTML, b.Pictures
		}
	case a.Capture != "" && illustrated:
		// Drawing has a share of the time, so that enough is left for sending.
		within, cancel := context.WithTimeout(ctx, s.cfg.timeout()/4)
		png, err := s.enclose.Picture(within, a.Capture)
		cancel()
		if err != nil {
			s.log.Warn("mail is sent without a picture", "alert", a.ID, "error", err)
			break
		}
		pictures[pictureID] = png
		w = s.withPicture(a)
	}

	m := mail.NewMsg(mail.WithNoDefaultUserAgent())
	from, why := parse(s.cfg.From)
	if why != "" {
		return nil, errors.New("from " + why)
	}
	if from.Name == "" {
		from.Name = "faultkeep"
		if a.Site != "" {
			from.Name += ", " + line(a.Site)
		}
	}
	from.Name = plain(from.Name)
	m.FromMailAddress(from)
	if err := m.To(s.cfg.To...); err != nil {
		return nil, err
	}
	m.Subject(plain(w.Subject))
	m.SetDateWithValue(time.Now().In(s.about.Zone))
	m.SetMessageIDWithValue(messageID(a.ID, from.Address))
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834, 5
	if a.Severity == capture.Alarm {
		m.SetGenHeader("Importance", "high") // RFC 2156
	}
	m.SetBodyString(mail.TypeTextPlain, w.Text)
	if w.HTML != "" {
		m.AddAlternativeString(mail.TypeTextHTML, w.HTML)
	}
	for _, id := range slices.Sorted(maps.Keys(pictures)) {
		if err := m.EmbedReader(id+".png", bytes.NewReader(pictures[id]), mail.WithFileContentID("<"+id+">"), mail.WithFileContentType("image/png")); err != nil {
			return nil, err
		}
	}
	return &message{m, from.Address}, nil
}

// plain is a header that no reader takes for an encoded word (RFC 2047).
func plain(s string) string { return strings.ReplaceAll(s, "=?", "= ?") }

// messageID is made of the alert's ID and nothing else, so that a receiver
// knows a second copy.
func messageID(id, from string) string {
	safe := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_', r == '/':
			return r
		}
		return '-'
	}, id)
	if safe != id || len(id) > 100 {
		sum := sha256.Sum256([]byte(id))
		safe = safe[:min(len(safe), 60)] + "-" + hex.EncodeToString(sum[:8])
	}
	_, host, _ := strings.Cut(from, "@")
	return safe + "@" + host
}
