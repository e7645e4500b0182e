package payload

import (
	"strings"
	"testing"

	"hoistward/ingest"
)

func numberOf(t testing.TB, c ingest.Channel, text string) (out decoded) {
	t.Helper()
	m := fieldUnits(t)
	own := m.Channels[c]
	m.Channels = [ingest.NumChannels]ingest.ChannelMap{}
	m.Channels[c] = own
	d, err := NewNumber(m)
	if err != nil {
		t.Fatal(err)
	}
	d.Decode(&ingest.Message{Payload: []byte(text), Received: noon}, ingest.SinkFuncs{
		OnSample: func(_ string, s *ingest.Sample) { out.samples = append(out.samples, *s) },
		OnReject: func(_ string, r ingest.Reject, what string) { out.rejects = append(out.rejects, r.String()+" "+what) },
	})
	return out
}

func TestPlainNumbers(t *testing.T) {
	for text, want := range map[string]ingest.Value{
		"1471.25": ingest.Number(1471250), " -3\r\n": ingest.Number(-3000), "1.2e3": ingest.Number(1.2e6), "+7": ingest.Number(7000),
		"-999.25": ingest.BadValue(ingest.Null), "null": ingest.BadValue(ingest.Null), "6000": ingest.BadValue(ingest.OutOfRange),
		"NaN": ingest.BadValue(ingest.NotANumber), "Inf": ingest.BadValue(ingest.NotANumber), "0x10": ingest.BadValue(ingest.NotANumber),
		"1_000": ingest.BadValue(ingest.NotANumber), "1,5": ingest.BadValue(ingest.NotANumber), "1 2": ingest.BadValue(ingest.NotANumber),
		"1e999": ingest.BadValue(ingest.NotANumber), "true": ingest.BadValue(ingest.NotANumber), "--": ingest.BadValue(ingest.NotANumber),
	} {
		got := numberOf(t, ingest.HookLoad, text)
		if len(got.samples) != 1 || got.samples[0].Values[ingest.HookLoad] != want || !got.samples[0].Time.Equal(noon) {
			t.Errorf("%q: got %+v, want %+v at the moment of receipt", text, got, want)
		}
		if bad := want.Quality == ingest.Bad; bad != (len(got.rejects) == 1) {
			t.Errorf("%q: rejects %q", text, got.rejects)
		}
	}
	for text, want := range map[string]string{"": "empty payload ", " \n": "empty payload ", strings.Repeat("1", 65): "too large 65 bytes where a number should be"} {
		if got := numberOf(t, ingest.HookLoad, text); len(got.samples) != 0 || len(got.rejects) != 1 || got.rejects[0] != want {
			t.Errorf("%q: got %+v, want %q alone", text, got, want)
		}
	}
	if got := numberOf(t, ingest.CrownSaver, "true"); got.samples[0].Values[ingest.CrownSaver] != ingest.Number(1) {
		t.Errorf("an on/off channel that is true: got %+v", got)
	}
}

func TestTwoChannelsInOnePlainNumberAreRefused(t *testing.T) {
	m := ingest.OwnForm()
	if _, err := NewNumber(&m); err == nil || !strings.Contains(err.Error(), "want one channel") {
		t.Errorf("got %v", err)
	}
	if _, err := NewNumber(&ingest.Mapping{}); err == nil {
		t.Error("no channel at all is let pass")
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1471.25", "", "null", "1e999", "-999.25", "0x1p3", "\xff", "+-1", "1e", "."} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		got := numberOf(t, ingest.HookLoad, text)
		checkSamples(t, fieldUnits(t), got)
		if len(got.samples)+len(got.rejects) == 0 {
			t.Errorf("%q vanished", text)
		}
	})
}
