package mqtt

import (
	"context"
	"fmt"
	"testing"

	"pgregory.net/rapid"
)

// A rig that sends a thousand times its rate waits for itself, loses what is its own,
// and delays no other.
func TestARigThatFloodsDelaysNoOther(t *testing.T) {
	const number = 1000
	q := newQueue(number, 1<<20)
	flood := func(n int) {
		for i := range n {
			q.offer(Message{Rig: "flood", Payload: fmt.Append(nil, i)})
		}
	}
	flood(5 * number)
	others := []string{"R1", "R2", "R3"}
	for i := range 10 { // ten rounds of three rigs, in the middle of the flood
		for _, rig := range others {
			q.offer(Message{Rig: rig, Payload: fmt.Append(nil, i)})
			flood(number)
		}
		seen := map[string]string{}
		for range 2 * (len(others) + 1) { // each within two turns
			m, err := q.next(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if m.Rig != "flood" {
				seen[m.Rig] = string(m.Payload)
			}
		}
		for _, rig := range others {
			if seen[rig] != fmt.Sprint(i) {
				t.Fatalf("round %d: got %v, want the message of %s among the first", i, seen, rig)
			}
		}
	}
	const sent, served = 5*number + 10*3*(number+1), 10 * 8
	if n, dropped := q.state(); n != number-8 || dropped != sent-served-uint64(n) { // of the flood: all others were seen
		t.Errorf("got %d waiting and %d dropped, want %d and %d", n, dropped, number-8, sent-served-(number-8))
	}
}

// Whatever comes and goes: of each rig the messages come in order, the oldest are
// missing where some are, no rig is served twice while another waits through both, and
// the counts agree.
func TestEachRigHasItsLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.IntRange(1, 12).Draw(t, "number")
		q := newQueue(number, 1<<20)
		lines := map[string][]int{} // what should wait
		passed := map[string]int{}  // times that others were served since a rig was, or came
		sent, taken := 0, 0
		for range rapid.IntRange(1, 120).Draw(t, "steps") {
			if rapid.Bool().Draw(t, "take") && sent > taken {
				m, err := q.next(context.Background())
				if err != nil {
					t.Fatal(err)
				}
				own := lines[m.Rig]
				got := int(m.Payload[0])
				for len(own) > 0 && own[0] != got { // discarded meanwhile
					own = own[1:]
				}
				if len(own) == 0 {
					t.Fatalf("got message %d of %s, which is not among %v", got, m.Rig, lines[m.Rig])
				}
				lines[m.Rig] = own[1:]
				taken++
				passed[m.Rig] = 0
				for rig := range lines {
					if rig != m.Rig && q.lines[rig] != nil {
						if passed[rig]++; passed[rig] > len(lines) {
							t.Fatalf("%s was passed over %d times with %d rigs", rig, passed[rig], len(lines))
						}
					}
				}
			} else {
				rig := fmt.Sprint("R", rapid.IntRange(1, 4).Draw(t, "rig"))
				before := q.dropped
				if q.lines[rig] == nil {
					passed[rig] = 0
				}
				q.offer(Message{Rig: rig, Payload: []byte{byte(sent)}})
				lines[rig] = append(lines[rig], sent)
				sent++
				taken += int(q.dropped - before) // gone in another way
			}
			n, _ := q.state()
			if n != sent-taken || n > number {
				t.Fatalf("got %d waiting, want %d and at most %d", n, sent-taken, number)
			}
			sum := 0
			for _, l := range q.lines {
				sum += l.n
			}
			if sum != n {
				t.Fatalf("got lines of %d in all, want %d", sum, n)
			}
		}
	})
}
