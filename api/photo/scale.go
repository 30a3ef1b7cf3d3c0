package photo

import (
	"image"
	"image/color"
)

// scaled is a picture that fits into a square of side px, averaged over what
// each pixel covers; never larger than it was. What is transparent is white.
func scaled(src image.Image, side int) *image.RGBA {
	b := src.Bounds()
	w, h := fit(b.Dx(), b.Dy(), side)
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	at := sampler(src)
	for y := range h {
		y0, y1 := b.Min.Y+y*b.Dy()/h, b.Min.Y+(y+1)*b.Dy()/h
		for x := range w {
			x0, x1 := b.Min.X+x*b.Dx()/w, b.Min.X+(x+1)*b.Dx()/w
			out.SetRGBA(x, y, mean(at, x0, max(x1, x0+1), y0, max(y1, y0+1)))
		}
	}
	return out
}

func fit(w, h, side int) (int, int) {
	if w <= side && h <= side {
		return w, h
	}
	if w >= h {
		return side, max(h*side/w, 1)
	}
	return max(w*side/h, 1), side
}

// samples per direction of one pixel: more would cost time that nobody sees.
const samples = 4

// mean colour of a box, on white.
func mean(at func(x, y int) color.RGBA, x0, x1, y0, y1 int) color.RGBA {
	dx, dy := max((x1-x0)/samples, 1), max((y1-y0)/samples, 1)
	var r, g, b, n int
	for y := y0; y < y1; y += dy {
		for x := x0; x < x1; x += dx {
			c := at(x, y)
			white := 255 - int(c.A)
			r, g, b, n = r+int(c.R)+white, g+int(c.G)+white, b+int(c.B)+white, n+1
		}
	}
	return color.RGBA{R: uint8(r / n), G: uint8(g / n), B: uint8(b / n), A: 255}
}

// sampler reads pixels with premultiplied alpha, the common kinds without an
// allocation each.
func sampler(src image.Image) func(x, y int) color.RGBA {
	switch m := src.(type) {
	case *image.RGBA:
		return m.RGBAAt
	case *image.YCbCr:
		return func(x, y int) color.RGBA {
			c := m.YCbCrAt(x, y)
			r, g, b := color.YCbCrToRGB(c.Y, c.Cb, c.Cr)
			return color.RGBA{R: r, G: g, B: b, A: 255}
		}
	}
	return func(x, y int) color.RGBA {
		r, g, b, a := src.At(x, y).RGBA()
		return color.RGBA{R: uint8(r >> 8), G: uint8(g >> 8), B: uint8(b >> 8), A: uint8(a >> 8)}
	}
}

// turned brings a picture upright by its Exif orientation, 1 to 8.
func turned(m *image.RGBA, orientation int) *image.RGBA {
	if orientation <= 1 || orientation > 8 {
		return m
	}
	w, h := m.Bounds().Dx(), m.Bounds().Dy()
	tw, th := w, h
	if orientation >= 5 {
		tw, th = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, tw, th))
	for y := range th {
		for x := range tw {
			sx, sy := origin(orientation, x, y, w, h)
			out.SetRGBA(x, y, m.RGBAAt(sx, sy))
		}
	}
	return out
}

// origin is where the pixel of an upright picture lies in the stored one, of w
// by h pixels.
func origin(orientation, x, y, w, h int) (int, int) {
	switch orientation {
	case 2:
		return w - 1 - x, y
	case 3:
		return w - 1 - x, h - 1 - y
	case 4:
		return x, h - 1 - y
	case 5:
		return y, x
	case 6:
		return y, h - 1 - x
	case 7:
		return w - 1 - y, h - 1 - x
	case 8:
		return w - 1 - y, x
	}
	return x, y
}
