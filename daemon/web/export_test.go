package web

// Routes are all patterns, with who may come through: users, all, token or scraper.
func Routes(o Options) map[string]string {
	s := newServer(o)
	s.routes()
	out := map[string]string{}
	for _, r := range s.doors {
		out[r.pattern] = map[door]string{forUsers: "users", forAll: "all", forToken: "token", forScraper: "scraper"}[r.door]
	}
	return out
}

// OwnPath is where a login leads to.
func OwnPath(text string) string { return ownPath(text) }

// Answers are the patterns under which the API answers, and what programs ask beside it.
func Answers(o Options) (patterns []string) {
	for pattern, door := range Routes(o) {
		if door == "token" || pattern == "GET /healthz" || pattern == "GET /readyz" {
			patterns = append(patterns, pattern)
		}
	}
	return patterns
}
