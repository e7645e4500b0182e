package trend

import "math"

// half is a number of 16 bits: IEEE 754-2019, binary16, clause 3.6: a sign, 5 bits of
// exponent with a bias of 15, 10 of fraction.
type half uint16

const (
	plusInfinity  half = 0x7c00
	minusInfinity half = 0xfc00
	halfSign      half = 0x8000
	greatestHalf  half = 0x7bff // 65504

	halfBias, halfFraction, floatBias, floatFraction = 15, 10, 127, 23
)

// up returns the least half that is not below x; where there is none, the greatest.
// It keeps x's sign where x rounds to nothing.
func up(x float64) half {
	if x < 0 {
		return towardZero(-x) | halfSign
	}
	return awayFromZero(x)
}

// down returns the greatest half that is not above x; where there is none, the least.
func down(x float64) half {
	if x < 0 {
		return awayFromZero(-x) | halfSign
	}
	return towardZero(x)
}

// towardZero rounds x, not negative, to a half that is not above it.
func towardZero(x float64) half {
	if x >= greatestHalf.value64() {
		return greatestHalf
	}
	if x < 1.0/(1<<(halfBias-1)) { // 2^-14: below stand whole multiples of 2^-24
		return half(x * (1 << (halfBias - 1 + halfFraction)))
	}
	bits := math.Float64bits(x)
	exponent := int(bits>>52) - 1023
	return half(exponent+halfBias)<<halfFraction | half(bits>>(52-halfFraction)&(1<<halfFraction-1))
}

// awayFromZero rounds x, not negative, to a half that is not below it.
func awayFromZero(x float64) half {
	h := towardZero(x)
	if h < greatestHalf && h.value64() < x {
		h++ // the next number's bits are the next whole number, across exponents too
	}
	return h
}

func (h half) value64() float64 { return float64(h.value()) }

// value returns h exactly.
func (h half) value() float32 {
	sign := uint32(h&halfSign) << 16
	exponent, fraction := uint32(h>>halfFraction&0x1f), uint32(h&(1<<halfFraction-1))
	switch exponent {
	case 0:
		x := float32(fraction) / (1 << (halfBias - 1 + halfFraction))
		return math.Float32frombits(math.Float32bits(x) | sign)
	case 0x1f:
		exponent = 0xff
	default:
		exponent += floatBias - halfBias
	}
	return math.Float32frombits(sign | exponent<<floatFraction | fraction<<(floatFraction-halfFraction))
}
