package configs

import (
	"fmt"
	"net/netip"
	"strconv"
	"strings"
	"time"

	"hoistward/detect/hoist"
	"hoistward/ingest"
)

// What a site file need not say. FILES.md lists them for its readers.
const (
	StandardListen = "127.0.0.1:8077"
	StandardData   = "hoistward-data"
)

// Site is what one monitor watches, where the readings come from, and where it
// shows and keeps what it found.
type Site struct {
	Name    string
	Page    Page   // how people reach the dashboard
	Listen  string // its host:port
	Data    string // folder of journal and recordings; LoadSite takes it from the site file's folder
	Rigs    []RigFile
	Sources []Source
	Record  Recording
	Notify  Notify
	Pair    *Pair      // nil = this monitor is alone
	Forward *Historian // nil = nothing is forwarded
	Group   *Group     // nil = the monitor is alone
	Notes   []Note     // answers that the monitor cannot give with these channels
}

// RigFile is one rig of a site, or until LoadSite a folder of them. ReadSite fills Path
// as it is written; LoadSite resolves it and fills the rest.
type RigFile struct {
	Path   string
	Folder bool // Path is a folder, and with LoadSite a file out of one
	Rig    *hoist.Rig
	Text   []byte // of the file in force, for the recording

	key string // where the site file names it
}

// Source is one broker or sender that readings come from, and what its messages mean.
type Source struct {
	Name            string
	Kind            string // "mqtt" or "wits"
	Broker          string // URL, tcp:// or ssl://
	ClientID        string // empty = one that is made up, unique
	User            string
	PasswordFile    string
	CAFile          string
	CertificateFile string
	KeyFile         string
	Topic           string // of the channels that name none of their own, with {rig} as one level
	Payload         ingest.Payload
	Sparkplug       *Sparkplug // with payload sparkplug, in place of Topic
	Lines           Lines      // with payload lines
	QoS             byte       // 0 or 1
	WITS            *WITS      // with kind wits, in place of all about a broker
	QuietAfter      time.Duration
	Mapping         ingest.Mapping

	key string // where it stands in the site file
}

// ReadSite reads the text of a site file, and no other file: paths stand as they
// are written. The name is only for the problems, which come in order of line;
// where there is any, the site is not to be used.
func ReadSite(name string, text []byte) (*Site, []Problem) {
	f := readSite(name, text)
	return f.site, f.r.done()
}

// siteFile is a site file while it is read: the site with its reader, so that what
// is found in other files can be reported at the line that named them.
type siteFile struct {
	r    *reader
	site *Site
}

func readSite(name string, text []byte) siteFile {
	f := siteFile{r: newReader(name), site: &Site{}}
	root, ok := f.r.document(text, "the keys of a site file")
	if !ok {
		return f
	}
	s := f.site
	s.Name = root.name("site")
	s.Page = readPage(root)
	s.Listen = readListen(root, &s.Page)
	s.Data = StandardData
	if data, ok := root.words("data", false, "a folder"); ok {
		s.Data = data
	}
	s.Record = readRecording(root)
	s.Forward = readHistorian(root)
	s.Rigs = readRigFiles(root)
	s.Sources = readSources(root)
	s.Notify = readNotify(root)
	s.Pair = readPair(root)
	s.Group = readGroup(root)
	root.close()
	f.checkPorts()
	f.checkPair()
	f.checkGroup()
	s.Notes = append(missingChannels(f.r, s.Sources), noteUnits(f.r, s.Sources)...)
	s.Notes = append(s.Notes, noteClocks(f.r, s.Sources)...)
	s.Notes = append(s.Notes, s.Forward.noteSecret(f.r)...)
	return f
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.IsLoopback()
}

func readRigFiles(o *object) []RigFile {
	const want = "a list of {file: ...} or {folder: ...}, one at least"
	var files []RigFile
	seen := map[string]string{}
	for _, m := range o.list("rigs", true, want) {
		rig := o.r.mapping(m, m.node.Line)
		file := readRigEntry(rig)
		if first, twice := seen[file.Path]; file.Path != "" && twice {
			o.r.add(o.r.lineOf(file.key), file.key, strconv.Quote(file.Path), "each rig file once ("+first+" has it)")
		}
		seen[file.Path] = m.path
		files = append(files, file)
		rig.close()
	}
	return files
}

// minimum is the least that the whole monitor needs, with what is lost without it.
var minimum = []struct {
	channel ingest.Channel
	lost    string
}{
	{ingest.HookLoad, "where the block comes to rest under its load, brake margin, brake heat, line work, and whether it is loaded or in slips"},
	{ingest.BlockHeight, "whether the height from the drum is true: a slipped line or a lost count stays unseen"},
	{ingest.DrumSpeed, "brake heat, the auxiliary brake's share, and whether height and drum agree"},
	{ingest.BrakePressure, "the friction factor, brake fade, and whether the brake answers"},
}

// missingChannels notes what no source brings, and what two bring.
func missingChannels(r *reader, sources []Source) []Note {
	line := r.lineOf("sources")
	carriers := func(c ingest.Channel) (names []string) {
		for i := range sources {
			if sources[i].Mapping.Channels[c].Mapped {
				names = append(names, sources[i].Name)
			}
		}
		return names
	}
	var notes []Note
	if len(sources) == 0 {
		return nil
	}
	for _, m := range minimum {
		if len(carriers(m.channel)) > 0 {
			continue
		}
		lost := m.lost
		if m.channel == ingest.BlockHeight && len(carriers(ingest.DrumCounts)) == 0 {
			lost = "where the block is, where it could be stopped, and the time to act (drum_counts is missing too)"
		}
		notes = append(notes, Note{r.file, line, fmt.Sprintf("without %s the monitor cannot answer: %s", m.channel, lost)})
	}
	for c := range ingest.NumChannels {
		if names := rivals(sources, c); len(names) > 1 {
			notes = append(notes, Note{r.file, line, fmt.Sprintf(
				"%s comes from %s: any one rig should have it from one of them", c, strings.Join(names, " and "))})
		}
	}
	return notes
}

// Of tells whether readings of a rig can come from s.
func (s *Source) Of(rig string) bool { return s.WITS == nil || s.WITS.Rig == rig }

// rivals returns the sources that can bring channel c of one rig.
func rivals(sources []Source, c ingest.Channel) (names []string) {
	for i := range sources {
		a := &sources[i]
		for j := range sources {
			b := &sources[j]
			if i != j && a.Mapping.Channels[c].Mapped && b.Mapping.Channels[c].Mapped &&
				(a.WITS == nil || b.Of(a.WITS.Rig)) {
				names = append(names, a.Name)
				break
			}
		}
	}
	return names
}

func readSources(o *object) []Source {
	var sources []Source
	names := map[string]bool{}
	clients := map[[2]string]string{}
	for _, m := range o.list("sources", true, "a list of sources, one at least") {
		group := o.r.mapping(m, m.node.Line)
		s := readSource(group)
		s.key = m.path
		sources = append(sources, s)
		if s.Name != "" && names[s.Name] {
			o.r.add(o.r.lineOf(group.at("name")), group.at("name"), strconv.Quote(s.Name)+" a second time", "one name a source")
		}
		names[s.Name] = true
		client := [2]string{s.Broker, s.ClientID}
		if other, taken := clients[client]; s.ClientID != "" && taken {
			o.r.add(o.r.lineOf(group.at("client_id")), group.at("client_id"), strconv.Quote(s.ClientID)+", which "+other+" uses at this broker",
				"a client id of its own: a broker closes the older of two connections that share one")
		}
		clients[client] = s.Name
	}
	return sources
}
