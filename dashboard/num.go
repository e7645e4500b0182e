package dashboard

import (
	"encoding/json"
	"math"
	"reflect"
)

// Num returns a pointer to x, or nil ("not known", JSON null) when x is not finite.
func Num(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// MarshalJSON writes a height that is not finite as null: encoding/json refuses it.
func (m Mast) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		CrownHeight *float64 `json:"crown_height_m"`
		CrownLimit  *float64 `json:"crown_limit_m"`
		CrownSaver  *float64 `json:"crown_saver_m"`
		FloorLimit  *float64 `json:"floor_limit_m"`
	}{Num(m.CrownHeight), Num(m.CrownLimit), Num(m.CrownSaver), Num(m.FloorLimit)})
}

// MarshalJSON writes a rating that is not finite as null.
func (r Ratings) MarshalJSON() ([]byte, error) {
	load := r.HookLoad
	if load != nil {
		load = Num(*load)
	}
	return json.Marshal(struct {
		HookLoad *float64 `json:"hook_load_kN"`
		Amber    *float64 `json:"amber_C"`
		Red      *float64 `json:"red_C"`
		Margin   *float64 `json:"margin"`
	}{load, Num(r.Amber), Num(r.Red), Num(r.Margin)})
}

// marshal returns s as JSON. A pointer to a number that is not finite is written
// as null, in a copy, and cleaned says how many there were; s is never changed.
func marshal(s *Snapshot) (text []byte, cleaned int, err error) {
	if text, err = json.Marshal(s); err == nil {
		return text, 0, nil
	}
	c := *s
	cleaned = cleanFields(reflect.ValueOf(&c.Estimate).Elem()) +
		cleanFields(reflect.ValueOf(&c).Elem())
	c.Channels = append([]ChannelView(nil), s.Channels...)
	for i := range c.Channels {
		cleaned += cleanFields(reflect.ValueOf(&c.Channels[i]).Elem())
	}
	c.Alarms = append([]AlarmView(nil), s.Alarms...)
	for i := range c.Alarms {
		cleaned += cleanFields(reflect.ValueOf(&c.Alarms[i]).Elem())
	}
	text, err = json.Marshal(&c)
	return text, cleaned, err
}

func cleanFields(v reflect.Value) (cleaned int) {
	for i := range v.NumField() {
		p, ok := v.Field(i).Interface().(*float64)
		if ok && p != nil && Num(*p) == nil {
			v.Field(i).SetZero()
			cleaned++
		}
	}
	return cleaned
}
