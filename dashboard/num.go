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

// marshal returns s as JSON. A pointer to a number that is not finite, wherever it is,
// is written as null, in a copy, and cleaned says how many there were; s is never
// changed. Numbers that are no pointers are in types that write themselves.
func marshal(s *Snapshot) (text []byte, cleaned int, err error) {
	if text, err = json.Marshal(s); err == nil {
		return text, 0, nil
	}
	c := *s
	cleaned = clean(reflect.ValueOf(&c).Elem())
	text, err = json.Marshal(&c)
	return text, cleaned, err
}

// clean sets pointers in v to numbers that are not finite to nil and returns how many
// there were. What v leads to is copied before it is changed.
func clean(v reflect.Value) (cleaned int) {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return 0
		}
		if p, ok := v.Interface().(*float64); ok {
			if Num(*p) != nil {
				return 0
			}
			v.SetZero()
			return 1
		}
		own := reflect.New(v.Type().Elem())
		own.Elem().Set(v.Elem())
		v.Set(own)
		return clean(own.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			cleaned += clean(v.Field(i))
		}
	case reflect.Slice:
		if v.IsNil() {
			return 0
		}
		own := reflect.MakeSlice(v.Type(), v.Len(), v.Len())
		reflect.Copy(own, v)
		v.Set(own)
		for i := range own.Len() {
			cleaned += clean(own.Index(i))
		}
	}
	return cleaned
}
