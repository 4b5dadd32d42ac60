package web

import (
	"encoding/json"
	"net/http"

	"faultkeep/configs/strict"
	"faultkeep/daemon/web/wire"
)

// apiReload has the config file read again. A file with anything wrong in it
// is answered with all that is wrong.
func (s *server) apiReload(w http.ResponseWriter, r *http.Request) error {
	if s.Reload == nil {
		return &refusal{http.StatusNotImplemented, "this faultkeep was started without a config file", ""}
	}
	done, err := s.Reload(r.Context())
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	if !done.OK {
		w.WriteHeader(http.StatusUnprocessableEntity)
	}
	return json.NewEncoder(w).Encode(noNulls(done))
}

// noNulls is the answer with no list null.
func noNulls(r wire.Reloaded) wire.Reloaded {
	for _, l := range []*[]string{&r.Added, &r.Removed, &r.Restarted, &r.Undisturbed, &r.Taken, &r.Later} {
		if *l == nil {
			*l = []string{}
		}
	}
	if r.Problems == nil {
		r.Problems = strict.Problems{}
	}
	return r
}
