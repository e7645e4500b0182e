package view

import (
	"encoding/json"
	"math"
	"testing"

	"hoistward/detect"
)

// What the hoist is at reaches the page in kN, and "never" is told from "not known".
func TestWork(t *testing.T) {
	for _, c := range []struct {
		name   string
		result detect.Result
		want   string
	}{
		{
			"running in, amber ahead and red never",
			detect.Result{
				Work:     detect.Work{Operation: detect.TrippingIn, InSlips: true, BlockWeight: 88e3, StringWeight: 640e3, Stands: 44},
				Estimate: detect.Estimate{StandsToAmber: 6, StandsToRed: math.Inf(1), BrakeSettles: 231},
			},
			`{"operation":"tripping_in","in_slips":true,"block_weight_kN":88,"string_weight_kN":640,"stands":44,` +
				`"stands_to_amber":6,"stands_to_red":null,"never_amber":false,"never_red":true,"brake_settles_C":231}`,
		},
		{
			"nothing known",
			detect.Result{
				Work:     detect.Work{BlockWeight: math.NaN(), StringWeight: math.NaN()},
				Estimate: detect.Estimate{StandsToAmber: math.NaN(), StandsToRed: math.NaN(), BrakeSettles: math.NaN()},
			},
			`{"operation":"unknown","in_slips":false,"block_weight_kN":null,"string_weight_kN":null,"stands":0,` +
				`"stands_to_amber":null,"stands_to_red":null,"never_amber":false,"never_red":false,"brake_settles_C":null}`,
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := json.Marshal(work(&c.result))
			if err != nil {
				t.Fatal(err)
			}
			if string(got) != c.want {
				t.Errorf("got  %s\nwant %s", got, c.want)
			}
		})
	}
}
