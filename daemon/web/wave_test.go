package web_test

import (
	"net/http"
	"net/http/httptest"
	"testing"
)

func askB(b *testing.B, h http.Handler, path string) int {
	b.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(b.Context(), http.MethodGet, "http://127.0.0.1:8417"+path, nil))
	return w.Code
}
