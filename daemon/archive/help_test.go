package archive_test

import (
	"net/http"
	"strconv"
)

func appendFloat(v float64) []byte { return strconv.AppendFloat(nil, v, 'g', -1, 64) }

func counting(h http.Handler, n *int) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		*n++
		h.ServeHTTP(w, r)
	})
}

func second[T any](_ T, err error) error { return err }

func third[A, B any](_ A, _ B, err error) error { return err }
