// Package photo takes pictures from people's phones: it decodes them, turns
// them upright, bounds their size and encodes them anew, so that nothing of the
// camera's metadata (where, when, whose) is kept.
package photo

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	_ "image/png" // decoder
)

// Bounds of what is taken and of what is kept.
const (
	MaxBytes  = 15 << 20   // of an upload
	maxPixels = 40_000_000 // of an upload: some 60 MB decoded
	longSide  = 1600       // px, of the kept image
	thumbSide = 320        // px, of the small one
	quality   = 82
)

// ErrRefused is wrapped by what Clean refuses for the sender to know.
var ErrRefused = errors.New("photo refused")

// Cleaned is a picture fit to be kept. Both images are JPEG without metadata.
type Cleaned struct {
	Image, Thumb  []byte
	Width, Height int // of Image
}

// MediaType of every cleaned picture.
const MediaType = "image/jpeg"

// decoding bounds how many pictures are in memory at once.
var decoding = make(chan struct{}, 2)

// Clean takes a JPEG or PNG.
func Clean(upload []byte) (Cleaned, error) {
	if len(upload) > MaxBytes {
		return Cleaned{}, fmt.Errorf("%w: more than %d MB", ErrRefused, MaxBytes>>20)
	}
	cfg, format, err := image.DecodeConfig(bytes.NewReader(upload))
	if err != nil {
		return Cleaned{}, fmt.Errorf("%w: neither JPEG nor PNG", ErrRefused)
	}
	if cfg.Width < 1 || cfg.Height < 1 || cfg.Width > maxPixels/cfg.Height {
		return Cleaned{}, fmt.Errorf("%w: %d by %d pixels, want at most %d million", ErrRefused, cfg.Width, cfg.Height, maxPixels/1_000_000)
	}
	decoding <- struct{}{}
	defer func() { <-decoding }()
	src, _, err := image.Decode(bytes.NewReader(upload))
	if err != nil {
		return Cleaned{}, fmt.Errorf("%w: the %s is damaged", ErrRefused, format)
	}
	turn := 1
	if format == "jpeg" {
		turn = orientation(upload)
	}
	big := turned(scaled(src, longSide), turn)
	out := Cleaned{Width: big.Bounds().Dx(), Height: big.Bounds().Dy()}
	if out.Image, err = encode(big); err != nil {
		return Cleaned{}, err
	}
	out.Thumb, err = encode(scaled(big, thumbSide))
	return out, err
}

func encode(m image.Image) ([]byte, error) {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: quality}); err != nil {
		return nil, fmt.Errorf("encode a photo of %v: %w", m.Bounds(), err)
	}
	return b.Bytes(), nil
}
