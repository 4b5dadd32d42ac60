package config

// Built32 has the config be read as by a program that was built for 32 bits,
// until the function that it returns is called.
func Built32() (back func()) {
	was := mostSize
	mostSize = mostSizeOf(32)
	return func() { mostSize = was }
}
