package main

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
)

// crackedRaceway draws what stands in for a photograph: a ring of steel with a
// spalled stretch.
func crackedRaceway() ([]byte, error) {
	const size, outer, inner = 240, 110, 74
	picture := image.NewGray(image.Rect(0, 0, size, size))
	for y := range size {
		for x := range size {
			dx, dy := x-size/2, y-size/2
			r2 := dx*dx + dy*dy
			shade := uint8(24)
			switch {
			case r2 > outer*outer || r2 < inner*inner:
			case dx > 40 && dy > -30 && dy < 34 && (x*7+y*13)%11 < 5:
				shade = 70
			default:
				shade = uint8(150 + (r2/97)%60)
			}
			picture.SetGray(x, y, color.Gray{Y: shade})
		}
	}
	var out bytes.Buffer
	err := png.Encode(&out, picture)
	return out.Bytes(), err
}
