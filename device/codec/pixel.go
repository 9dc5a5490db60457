package codec

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"

	"bluefringe/device/event"
)

// pixelType is how a pixel stands in a block.
type pixelType struct {
	name string
	size int // bytes
	read func([]byte) float64
}

// pixelTypes is the table of them: kind, bits, and little or big end first.
func pixelTypes() []pixelType {
	le, be := binary.LittleEndian, binary.BigEndian
	return []pixelType{
		{"uint16le", 2, func(b []byte) float64 { return float64(le.Uint16(b)) }},
		{"uint16be", 2, func(b []byte) float64 { return float64(be.Uint16(b)) }},
		{"int16le", 2, func(b []byte) float64 { return float64(int16(le.Uint16(b))) }},
		{"int16be", 2, func(b []byte) float64 { return float64(int16(be.Uint16(b))) }},
		{"uint32le", 4, func(b []byte) float64 { return float64(le.Uint32(b)) }},
		{"uint32be", 4, func(b []byte) float64 { return float64(be.Uint32(b)) }},
		{"int32le", 4, func(b []byte) float64 { return float64(int32(le.Uint32(b))) }},
		{"int32be", 4, func(b []byte) float64 { return float64(int32(be.Uint32(b))) }},
		{"float32le", 4, func(b []byte) float64 { return float(le.Uint32(b)) }},
		{"float32be", 4, func(b []byte) float64 { return float(be.Uint32(b)) }},
	}
}

// float is NaN, a pixel that says nothing, for what is not finite.
func float(bits uint32) float64 {
	v := float64(math.Float32frombits(bits))
	if math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

// PixelTypes lists how pixels may stand in a block.
func PixelTypes() []string {
	var names []string
	for _, p := range pixelTypes() {
		names = append(names, p.name)
	}
	return names
}

func findPixelType(name string) (pixelType, error) {
	for _, p := range pixelTypes() {
		if p.name == name {
			return p, nil
		}
	}
	return pixelType{}, fmt.Errorf("found the pixel type %s: one of %s is allowed", quote([]byte(name)), strings.Join(PixelTypes(), ", "))
}

// values reads a whole number of pixels.
func (p pixelType) values(data []byte) event.Values {
	values := make(event.Values, len(data)/p.size)
	for i := range values {
		values[i] = p.read(data[i*p.size:])
	}
	return values
}
