package record

import (
	"os"
	"testing"
)

// BenchmarkRecord records samples of eight channels, and says what a row takes on
// disk when the file is closed.
func BenchmarkRecord(b *testing.B) {
	dir := b.TempDir()
	r := open(b, dir, Options{})
	b.ResetTimer()
	for i := range b.N {
		if err := r.Put(b.Context(), sampleAt("R1", uint64(i+1))); err != nil {
			b.Fatal(err)
		}
	}
	closeNow(b, r)
	b.StopTimer()
	if b.N < 10000 {
		return // what a file holds besides rows would weigh too much
	}
	size := int64(0)
	files, err := Files(dir)
	if err != nil {
		b.Fatal(err)
	}
	for _, f := range files {
		st, err := os.Stat(f)
		if err != nil {
			b.Fatal(err)
		}
		size += st.Size()
	}
	b.ReportMetric(float64(size)/float64(b.N), "bytes/row")
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "rows/s")
}

// BenchmarkAdd is what the way through pays for an entry.
func BenchmarkAdd(b *testing.B) {
	r := open(b, b.TempDir(), Options{})
	e := sampleAt("R1", 0)
	for b.Loop() {
		e.Seq++
		r.Add(e)
	}
}

// BenchmarkRead reads 200,000 samples of eight channels.
func BenchmarkRead(b *testing.B) {
	const n = 200000
	dir := b.TempDir()
	r := open(b, dir, Options{Queue: n})
	for seq := uint64(1); seq <= n; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	closeNow(b, r)
	for b.Loop() {
		got := 0
		for _, err := range Read(dir) {
			if err != nil {
				b.Fatal(err)
			}
			got++
		}
		if got != n {
			b.Fatalf("got %d entries, want %d", got, n)
		}
	}
	b.ReportMetric(float64(b.N)*n/b.Elapsed().Seconds(), "rows/s")
}

// TestARowTakesLessThan120Bytes holds the size of the recording of one day.
func TestARowTakesLessThan120Bytes(t *testing.T) {
	dir := t.TempDir()
	const n = 20000
	r := open(t, dir, Options{Queue: n})
	for seq := uint64(1); seq <= n; seq++ {
		r.Add(sampleAt("R1", seq))
	}
	closeNow(t, r)
	st, err := os.Stat(Path(dir, "R1", noon))
	if err != nil {
		t.Fatal(err)
	}
	if per := float64(st.Size()) / n; !(per < 120) {
		t.Errorf("got %.1f bytes a row of eight channels, want less than 120", per)
	}
}
