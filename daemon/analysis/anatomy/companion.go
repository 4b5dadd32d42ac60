package anatomy

// What channels of the mechanics must show together.
const (
	joins  = 0.6  // of the usual demand, what one must come to where another has moved already
	reach  = 0.5  // of the way from the first onset to the trigger, by how much earlier another is looked for
	aside  = 0.05 // of that way, what an onset may be later than the first without a second look
	afar   = 3    // times that way: what began before then is another thing
	rounds = 3    // looks, each from the onset that the last one found
	enough = 3    // channels of the mechanics that must be recorded for one to be alone
)

// mechanics are the channels in which what happens to the shaft shows.
func (s *study) mechanics() (out []*track) {
	for _, t := range s.tracks {
		switch t.kind.quantity {
		case speed, torque, current, positionError:
			out = append(out, t)
		}
	}
	return out
}

// companions looks once more at the channels of the mechanics, each from a
// baseline that ends where another left its course, and with less demand: a load
// shows in all of them. A baseline by itself often ends before the move of the
// command in whose course the load came, and what the move does is then
// beyond doubt for none. Where the command asked too much, all of them follow it.
func (s *study) companions(share float64) {
	all := s.mechanics()
	for _, t := range all {
		if t.partner != nil && s.overreach(t) != nil {
			return
		}
	}
	for range rounds {
		var lead *track
		for _, t := range all {
			if t.moved && (lead == nil || t.onset < lead.onset) {
				lead = t
			}
		}
		if lead == nil {
			return
		}
		first, way, earlier := lead.onset, float64(s.trigger-lead.onset), false
		for _, t := range all {
			if t == lead || t.moved && t.onset-first < 1+int(aside*way) {
				continue
			}
			n := s.join(t, share, first-int(reach*way), first)
			if n != nil && (!t.moved || n.onset < t.onset) && float64(first-n.onset) <= afar*way {
				earlier = earlier || n.onset < first
				*t = *n
			}
		}
		if !earlier {
			return
		}
	}
}

// overtaken looks once more at the channels of the mechanics that seem to have
// moved before sample i, at which the command began to ask too much, each from a
// baseline that ends there: what the drive did until then wasn't beyond what it
// does by itself if it isn't from that.
func (s *study) overtaken(i int, share float64) {
	for _, t := range s.mechanics() {
		if !t.moved || t.onset >= i {
			continue
		}
		if n := s.join(t, share, i, i); n == nil {
			t.moved = false
		} else if n.onset > t.onset {
			*t = *n
		}
	}
}

// join follows a channel from a baseline of so many samples, nil where it didn't move.
func (s *study) join(t *track, share float64, base, first int) *track {
	follows := s.trigger
	if t.partner == nil {
		follows = first
	}
	k := s.tracker(t.signal, share, lasting, follows)
	k.demand = joins
	if !k.look(max(least, base)) || !k.t.moved {
		return nil
	}
	k.settle()
	return k.t
}

// alone drops what a single channel of the mechanics did where others are
// recorded, too: what acts on the shaft shows in more than one, and one that
// went off gradually shows what the load does by itself, or what wasn't known
// about a move. A jump may well be in one alone: that of a broken signal.
func (s *study) alone() {
	all := s.mechanics()
	var one *track
	for _, t := range all {
		switch {
		case !t.moved:
		case one != nil:
			return
		default:
			one = t
		}
	}
	if one != nil && len(all) >= enough && s.shapeOf(one).jump < jumps {
		one.moved, s.aside = false, one
	}
}
