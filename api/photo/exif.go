package photo

import (
	"bytes"
	"encoding/binary"
)

// orientation reads how a JPEG is to be turned (Exif 2.3, tag 0x0112 of the
// first directory); 1, as it is, where it does not say.
func orientation(jpeg []byte) int {
	tiff := exifOf(jpeg)
	if len(tiff) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.BigEndian
	if tiff[0] == 'I' {
		order = binary.LittleEndian
	}
	at := int64(order.Uint32(tiff[4:]))
	if at < 8 || at+2 > int64(len(tiff)) {
		return 1
	}
	entries := int(order.Uint16(tiff[at:]))
	for i := range entries {
		e := at + 2 + int64(i)*12
		if e+12 > int64(len(tiff)) {
			return 1
		}
		if order.Uint16(tiff[e:]) == 0x0112 {
			if v := int(order.Uint16(tiff[e+8:])); v >= 1 && v <= 8 {
				return v
			}
			return 1
		}
	}
	return 1
}

// exifOf finds the TIFF part of the Exif segment, walking the marker segments
// before the picture (JPEG, ITU-T T.81, B.1.1).
func exifOf(jpeg []byte) []byte {
	for at := 2; at+4 <= len(jpeg) && jpeg[at] == 0xff; {
		marker, length := jpeg[at+1], int(binary.BigEndian.Uint16(jpeg[at+2:]))
		end := at + 2 + length
		if length < 2 || end > len(jpeg) || marker == 0xda {
			return nil
		}
		if body := jpeg[at+4 : end]; marker == 0xe1 && bytes.HasPrefix(body, []byte("Exif\x00\x00")) {
			return body[6:]
		}
		at = end
	}
	return nil
}
