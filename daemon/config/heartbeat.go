package config

// heartbeat checks what a watcher elsewhere listens for.
func (c *checker) heartbeat() {
	h := c.cfg.Heartbeat
	if h == nil {
		if c.doc.Has("heartbeat") {
			c.missing("heartbeat.url", "give the address that a watcher listens at, or leave heartbeat out")
		}
		return
	}
	h.Check(func(key, text, hint string) {
		if path := "heartbeat." + key; !c.bad(path) {
			c.say(path, hint, "%s", text)
		}
	})
}
