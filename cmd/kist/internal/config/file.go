package config

// File is a configuration. Keys that are flags of a command are called as these are, and
// mean what they do. Paths are absolute, or begin with ~/.
type File struct {
	Repository          string `toml:"repository"`
	KeyFile             string `toml:"key-file"`
	PassphraseFile      string `toml:"passphrase-file"`
	Replica             string `toml:"replica"` // a second place of the repository
	OtherKeyFile        string `toml:"other-key-file"`
	OtherPassphraseFile string `toml:"other-passphrase-file"`
	Engine              string `toml:"engine"`
	Cache               string `toml:"cache"`      // a folder, or off
	State               string `toml:"state"`      // a folder, or off
	GiveUp              string `toml:"give-up"`    // after how long a silence of the repository's folder, or never
	OnFailure           string `toml:"on-failure"` // a unit that is started where one of schedule --all fails
	Metrics             string `toml:"metrics"`    // a file in which all of schedule --all tell what they came to

	Services  map[string]*Service `toml:"service"`
	Retire    *Rotation           `toml:"retire"` // of services that have no rules of their own
	Replicate *Replication        `toml:"replicate"`
	Verify    *Verification       `toml:"verify"`
	Status    *Status             `toml:"status"`
}

// Service is what is captured as one. Its data is one of Source, Container and From.
type Service struct {
	Source []string `toml:"source"` // folders and files, each as PATH or NAME=PATH
	From   []string `toml:"from"`   // a command and its arguments: what it prints
	Capture

	OnCalendar string         `toml:"on-calendar"` // of its captures
	Retire     *Rules         `toml:"retire"`
	Rehearse   *Rehearsal     `toml:"rehearse"`
	Upgrade    *UpgradeChoice `toml:"upgrade"`
}

// Capture are flags of kist capture.
type Capture struct {
	Name             string            `toml:"name"` // by default that of the service
	Version          string            `toml:"version"`
	VersionFrom      string            `toml:"version-from"`
	Note             string            `toml:"note"`
	Host             string            `toml:"host"`
	Label            map[string]string `toml:"label"`
	Hold             bool              `toml:"hold"`
	Strict           bool              `toml:"strict"`
	Reread           bool              `toml:"reread"`
	Exclude          []string          `toml:"exclude"`
	SkipCacheFolders bool              `toml:"skip-cache-folders"`
	CrossMounts      bool              `toml:"cross-mounts"`
	AcceptEmpty      bool              `toml:"accept-empty"`
	Before           string            `toml:"before"`
	After            string            `toml:"after"`
	Container        []string          `toml:"container"`
	Stop             bool              `toml:"stop"`
	Live             bool              `toml:"live"`
	IncludeReadonly  bool              `toml:"include-readonly"`
	ExcludeMount     []string          `toml:"exclude-mount"`
	Engine           string            `toml:"engine"`
	LimitRate        string            `toml:"limit-rate"`
}

// Rules are flags of kist retire: which captures stay.
type Rules struct {
	Last     int  `toml:"last"`
	Days     int  `toml:"days"`
	Weeks    int  `toml:"weeks"`
	Months   int  `toml:"months"`
	Years    int  `toml:"years"`
	Versions int  `toml:"versions"`
	UTC      bool `toml:"utc"`
}

// Rotation are rules, and when all rotations are done.
type Rotation struct {
	Rules
	OnCalendar string `toml:"on-calendar"`
}

// Rehearsal are flags of kist rehearse, and when it is done.
type Rehearsal struct {
	Scratch    string   `toml:"scratch"`
	Watch      string   `toml:"watch"`
	Healthy    string   `toml:"healthy"`
	Lend       []string `toml:"lend"`
	DataOnly   bool     `toml:"data-only"`
	OnCalendar string   `toml:"on-calendar"`
}

// UpgradeChoice are flags of kist upgrade.
type UpgradeChoice struct {
	Down    string `toml:"down"`
	Up      string `toml:"up"`
	Watch   string `toml:"watch"`
	Healthy string `toml:"healthy"`
}

// Replication are flags of kist replicate, and when it is done.
type Replication struct {
	LimitRate  string `toml:"limit-rate"`
	OnCalendar string `toml:"on-calendar"`
}

// Verification are flags of kist verify, and when it is done.
type Verification struct {
	Full       bool   `toml:"full"`
	Sample     string `toml:"sample"`
	OnCalendar string `toml:"on-calendar"`
}

// Status are flags of kist status, and when it is done.
type Status struct {
	OlderThan  string `toml:"older-than"`
	OnCalendar string `toml:"on-calendar"`
}
