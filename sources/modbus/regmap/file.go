package regmap

import "faultkeep/configs/strict"

// The file types mirror a map file key by key; the checker turns them into a Map.

type fileMap struct {
	Name     string               `yaml:"name"`
	Note     string               `yaml:"note"`
	Status   fileStatus           `yaml:"status"`
	Live     []fileValue          `yaml:"live"`
	Identity []fileValue          `yaml:"identity"`
	Header   fileHeader           `yaml:"header"`
	Channels []fileChannel        `yaml:"channels"`
	Signals  map[int64]fileSignal `yaml:"signals"`
	Data     fileData             `yaml:"data"`
	Checksum *fileChecksum        `yaml:"checksum"`
	Expect   []fileExpect         `yaml:"expect"`
	Arm      *fileArm             `yaml:"arm"`
	Settings []fileSetting        `yaml:"settings"`
	Limits   fileLimits           `yaml:"limits"`
}

type fileValue struct {
	Name     string           `yaml:"name"`
	Holding  *uint16          `yaml:"holding"`
	Input    *uint16          `yaml:"input"`
	Coil     *uint16          `yaml:"coil"`
	Discrete *uint16          `yaml:"discrete"`
	Type     string           `yaml:"type"`
	Bit      *int             `yaml:"bit" range:"0..63"`
	Mask     *uint64          `yaml:"mask"`
	Words    string           `yaml:"words"`
	Scale    *float64         `yaml:"scale"`
	Offset   float64          `yaml:"offset"`
	Unit     string           `yaml:"unit"`
	Values   map[int64]string `yaml:"values"`
}

type fileStatus struct {
	Fault      *fileValue `yaml:"fault"`
	FaultCode  *fileValue `yaml:"fault_code"`
	FaultCount *fileValue `yaml:"fault_count"`
	Warning    *fileValue `yaml:"warning"`
	State      *fileValue `yaml:"state"`
	Hours      *fileValue `yaml:"hours"`
}

type fileHeader struct {
	ChannelCount *fileValue `yaml:"channel_count"`
	Samples      *fileEntry `yaml:"samples"`
	Interval     *fileEntry `yaml:"interval"`
	Trigger      *fileEntry `yaml:"trigger"`
	Time         *fileTime  `yaml:"time"`
}

// fileEntry is a place, or a plain number where the recorder never changes it.
type fileEntry struct {
	fileValue `yaml:",inline"`
	fixed     string
}

func (e *fileEntry) UnmarshalPlain(text string) (problem, hint string) {
	if text == "" {
		return "is empty", "write a number, or a place such as {holding: 100}"
	}
	e.fixed = text
	return "", ""
}

type fileTime struct {
	Seconds      *fileValue `yaml:"unix_seconds"`
	Milliseconds *fileValue `yaml:"unix_milliseconds"`
	Year         *fileValue `yaml:"year"`
	Month        *fileValue `yaml:"month"`
	Day          *fileValue `yaml:"day"`
	Hour         *fileValue `yaml:"hour"`
	Minute       *fileValue `yaml:"minute"`
	Second       *fileValue `yaml:"second"`
	Millisecond  *fileValue `yaml:"millisecond"`
}

type fileSignal struct {
	Name   string   `yaml:"name"`
	Unit   string   `yaml:"unit"`
	Role   string   `yaml:"role"`
	Bits   []string `yaml:"bits"`
	Type   string   `yaml:"type"`
	Words  string   `yaml:"words"`
	Scale  *float64 `yaml:"scale"`
	Offset float64  `yaml:"offset"`
}

type fileChannel struct {
	fileSignal `yaml:",inline"`
	Select     *fileValue `yaml:"select"`
}

type fileData struct {
	Layout string `yaml:"layout"`
	Order  string `yaml:"order"`
	Type   string `yaml:"type"`
	Words  string `yaml:"words"`

	Holding *uint16 `yaml:"holding"`
	Input   *uint16 `yaml:"input"`
	Stride  *int    `yaml:"stride" range:"1..65535"`

	Page   *fileValue       `yaml:"page"`
	Shows  *fileValue       `yaml:"shows"`
	First  *int             `yaml:"first" range:"-32768..65535"`
	Step   *int             `yaml:"step" range:"-32768..65535"`
	Length *int             `yaml:"length" range:"1..65535"`
	Settle *strict.Duration `yaml:"settle"`

	File           *uint16 `yaml:"file" range:"1..65535"`
	Record         *uint16 `yaml:"record" range:"0..9999"`
	RecordsPerFile *int    `yaml:"records_per_file" range:"1..10000"`
}

type fileChecksum struct {
	Kind      string `yaml:"kind"`
	fileValue `yaml:",inline"`
}

type fileExpect struct {
	fileValue `yaml:",inline"`
	Equals    *float64 `yaml:"equals"`
	Low       *float64 `yaml:"low"`
	High      *float64 `yaml:"high"`
}

type fileArm struct {
	Writes []fileWrite      `yaml:"writes"`
	Within *strict.Duration `yaml:"within"`
}

type fileSetting struct {
	Name      string `yaml:"name"`
	fileWrite `yaml:",inline"`
}

type fileWrite struct {
	Holding  *uint16    `yaml:"holding"`
	Coil     *uint16    `yaml:"coil"`
	Input    *uint16    `yaml:"input"` // refused with its reason
	Discrete *uint16    `yaml:"discrete"`
	Type     string     `yaml:"type"`
	Words    string     `yaml:"words"`
	Value    *plainText `yaml:"value"`
}

type plainText string

func (p *plainText) UnmarshalPlain(text string) (problem, hint string) {
	*p = plainText(text)
	return "", ""
}

type fileLimits struct {
	Registers   int             `yaml:"registers" range:"1..125"`
	Connections int             `yaml:"connections" range:"1..16"`
	Gap         strict.Duration `yaml:"gap"`
	Bridge      int             `yaml:"bridge" range:"0..124"`
}
