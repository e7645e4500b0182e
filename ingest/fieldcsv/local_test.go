package fieldcsv

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func readTimes(t *testing.T, text string, o Options) (times string, problems string) {
	t.Helper()
	r, err := New(strings.NewReader(text), o)
	if err != nil {
		return "", err.Error()
	}
	for s, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		times += s.Time.Format(time.RFC3339Nano) + " "
	}
	for _, p := range r.Problems() {
		problems += p.String() + "\n"
	}
	return strings.TrimSpace(times), problems
}

func TestWrittenTimes(t *testing.T) {
	chicago, berlin := zone(t, "America/Chicago"), zone(t, "Europe/Berlin")
	for _, c := range []struct {
		name, form string
		zone       *time.Location
		text       string // behind the headings time,drum_counts
		want       string
		problem    string // in what is told
	}{
		{"RFC 3339", "", nil, "2026-11-24T12:00:00.1+01:00,1", "2026-11-24T11:00:00.1Z", ""},
		{"a space, with Z", "", nil, "2026-11-24 12:00:00Z,1", "2026-11-24T12:00:00Z", ""},
		{"year first, zone said", "", berlin, "2026-11-24 12:00:00.250,1\n2026/11/24 12:00:01,1", "2026-11-24T11:00:00.25Z 2026-11-24T11:00:01Z", ""},
		{"no zone said", "", nil, "2026-11-24 12:00:00,1", "", "want to be told the zone"},
		{"day first, form not said", "", berlin, "24/11/2026 12:00:00,1", "", "any other form has to be said"},
		{"day first", "%d/%m/%Y %H:%M:%S", berlin, "04/11/2026 12:00:00,1", "2026-11-04T11:00:00Z", ""},
		{"month first", "%m/%d/%Y %I:%M:%S %p", chicago, "11/04/2026 12:00:05 AM,1\n11/04/2026 1:00:00 pm,1", "2026-11-04T06:00:05Z 2026-11-04T19:00:00Z", ""},
		{"a month by name", "%d-%b-%y %H:%M", time.UTC, "4-Nov-26 08:30,1", "2026-11-04T08:30:00Z", ""},
		{"its own offset counts", "%d.%m.%Y %H:%M:%S%z", chicago, "04.11.2026 12:00:00+0200,1", "2026-11-04T10:00:00Z", ""},
		{"the end of a day", "", time.UTC, "2026-12-31 24:00:00,1", "2027-01-01T00:00:00Z", ""},
		{"past the end of a day", "", time.UTC, "2026-12-31 24:00:01,1", "", "want one that exists"},
		{"no such day", "%d/%m/%Y %H:%M:%S", time.UTC, "31/02/2026 12:00:00,1", "", "want one that exists"},
		// The United States' Energy Policy Act of 2005: second Sunday of March, first of November, at 02:00 local.
		{"the hour left out", "", chicago, "2026-03-08 02:30:00,1\n2026-03-08 03:00:00,1", "2026-03-08T08:00:00Z", "leave out"},
		{"the hour that comes again", "", chicago, "2026-11-01 00:59:00,1\n2026-11-01 01:30:00,1\n2026-11-01 01:59:59,1\n2026-11-01 01:00:00,1\n2026-11-01 01:30:00,1\n2026-11-01 02:00:00,1",
			"2026-11-01T05:59:00Z 2026-11-01T06:30:00Z 2026-11-01T06:59:59Z 2026-11-01T07:00:00Z 2026-11-01T07:30:00Z 2026-11-01T08:00:00Z", "show twice"},
		// Directive 2000/84/EC: last Sundays of March and October, at 01:00 UTC.
		{"Europe's hour that comes again", "", berlin, "2026-10-25 02:30:00,1\n2026-10-25 02:10:00,1", "2026-10-25T00:30:00Z 2026-10-25T01:10:00Z", "show twice"},
	} {
		got, problems := readTimes(t, "time,drum_counts\n"+c.text+"\n", Options{TimeForm: c.form, Zone: c.zone})
		if got != c.want || (c.problem == "") != (problems == "") || !strings.Contains(problems, c.problem) {
			t.Errorf("%s: got %q and %q, want %q and %q", c.name, got, problems, c.want, c.problem)
		}
	}
}

func TestDateAndTimeOfDayInTwoColumns(t *testing.T) {
	o := Options{TimeForm: "%d.%m.%Y %H:%M:%S", Zone: time.UTC,
		Columns: []Column{{Heading: "Datum", Meaning: "date"}, {Heading: "Zeit", Meaning: "time_of_day"}}}
	got, problems := readTimes(t, "Zeit,drum_counts,Datum\n12:00:00.5,1,24.11.2026\n24:00:00,1,24.11.2026\n12:00:00,1,\n", o)
	if got != "2026-11-24T12:00:00.5Z 2026-11-25T00:00:00Z" || !strings.Contains(problems, "no date") {
		t.Errorf("got %q and %q", got, problems)
	}
	o.Columns = []Column{{Number: 1, Meaning: "date"}, {Number: 2, Meaning: "time_of_day"}, {Number: 3, Meaning: "drum_counts"}}
	if got, problems := readTimes(t, "24.11.2026,12:00:00,1\n", o); got != "2026-11-24T12:00:00Z" || problems != "" {
		t.Errorf("without headings: got %q and %q", got, problems)
	}
	for _, bad := range []string{"date,drum_counts\n1,1\n", "time,date,drum_counts\n1,1,1\n", "time_of_day,drum_counts\n1,1\n", "date,date,time_of_day,drum_counts\n"} {
		if _, problems := readTimes(t, bad, Options{}); problems == "" {
			t.Errorf("%q passed", bad)
		}
	}
}

func TestTimeFormsThatCannotBe(t *testing.T) {
	for _, bad := range []string{"%", "%q", "%H:%M", "%d.%m.%Y", "%Y-%m-%d %I:%M", "%Y-%m-%d %H:%M %p"} {
		if _, err := parseForm(bad); err == nil {
			t.Errorf("the form %q passed", bad)
		}
	}
}
