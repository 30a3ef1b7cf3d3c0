package evidence

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"strings"
)

// A bundle is a ZIP file of which every byte follows from names and contents:
// files are stored, not packed, in the order given, at one fixed time, without
// extra fields or comments. So two bundles of the same files are equal, and a
// bundle of which any byte was changed is not a bundle any more. (Layout: the
// public specification of the ZIP format, APPNOTE, sections 4.3.7, 4.3.12 and
// 4.3.16.)

// File is one file of a bundle.
type File struct {
	Name    string // slashes, no leading one; printable ASCII
	Content []byte
}

// ErrContainer: the file is no bundle as this package writes it.
var ErrContainer = errors.New("not a bundle as it was written")

const (
	zipLocal      = 0x04034b50
	zipCentral    = 0x02014b50
	zipEnd        = 0x06054b50
	zipVersion    = 20
	zipDate       = 1<<5 | 1 // 1980-01-01, the first day that the format knows
	zipLocalSize  = 30
	zipEntrySize  = 46
	zipEndSize    = 22
	maxZipFiles   = 60_000
	maxZipContent = 1 << 30
)

// WriteZip writes files as a bundle's container.
func WriteZip(files []File) ([]byte, error) {
	size := zipEndSize
	for _, f := range files {
		size += zipLocalSize + zipEntrySize + 2*len(f.Name) + len(f.Content)
	}
	if len(files) > maxZipFiles || size > maxZipContent {
		return nil, fmt.Errorf("a bundle of %d files and %d bytes", len(files), size)
	}
	seen := map[string]bool{}
	out := make([]byte, 0, size)
	central := make([]byte, 0, len(files)*(zipEntrySize+40))
	for _, f := range files {
		if !fileName(f.Name) || seen[f.Name] {
			return nil, fmt.Errorf("file name %q in a bundle", clip(f.Name))
		}
		seen[f.Name] = true
		sum := crc32.ChecksumIEEE(f.Content)
		central = appendZipEntry(central, f, sum, len(out))
		out = appendZipLocal(out, f, sum)
	}
	start := len(out)
	out = append(out, central...)
	le := binary.LittleEndian
	out = le.AppendUint32(out, zipEnd)
	out = le.AppendUint32(out, 0) // one disk
	out = le.AppendUint16(out, uint16(len(files)))
	out = le.AppendUint16(out, uint16(len(files)))
	out = le.AppendUint32(out, uint32(len(central)))
	out = le.AppendUint32(out, uint32(start))
	return le.AppendUint16(out, 0), nil // no comment
}

// appendZipCommon writes what local header and central entry share.
func appendZipCommon(b []byte, f File, sum uint32) []byte {
	le := binary.LittleEndian
	b = le.AppendUint16(b, zipVersion)
	b = le.AppendUint16(b, 0) // flags
	b = le.AppendUint16(b, 0) // stored
	b = le.AppendUint16(b, 0) // 00:00
	b = le.AppendUint16(b, zipDate)
	b = le.AppendUint32(b, sum)
	b = le.AppendUint32(b, uint32(len(f.Content)))
	b = le.AppendUint32(b, uint32(len(f.Content)))
	b = le.AppendUint16(b, uint16(len(f.Name)))
	return le.AppendUint16(b, 0) // no extra field
}

func appendZipLocal(b []byte, f File, sum uint32) []byte {
	b = appendZipCommon(binary.LittleEndian.AppendUint32(b, zipLocal), f, sum)
	return append(append(b, f.Name...), f.Content...)
}

func appendZipEntry(b []byte, f File, sum uint32, offset int) []byte {
	le := binary.LittleEndian
	b = le.AppendUint32(b, zipCentral)
	b = le.AppendUint16(b, zipVersion) // made by
	b = appendZipCommon(b, f, sum)
	b = le.AppendUint16(b, 0) // no comment
	b = le.AppendUint16(b, 0) // disk
	b = le.AppendUint16(b, 0) // internal attributes
	b = le.AppendUint32(b, 0) // external attributes
	b = le.AppendUint32(b, uint32(offset))
	return append(b, f.Name...)
}

// ReadZip takes apart what WriteZip wrote, and nothing else. Contents share the
// memory of data.
func ReadZip(data []byte) ([]File, error) {
	if len(data) > maxZipContent {
		return nil, fmt.Errorf("%d bytes: %w", len(data), ErrContainer)
	}
	files, err := readZipFiles(data)
	if err != nil {
		return nil, err
	}
	again, err := WriteZip(files)
	if err != nil {
		return nil, errors.Join(err, ErrContainer)
	}
	if !bytes.Equal(again, data) {
		at := firstDifference(again, data)
		return nil, fmt.Errorf("byte %d, %s: %w", at, zipPlace(files, at), ErrContainer)
	}
	return files, nil
}

// readZipFiles follows the local headers from the start.
func readZipFiles(data []byte) ([]File, error) {
	var files []File
	le := binary.LittleEndian
	for at := 0; ; {
		if len(data)-at < zipEndSize {
			return nil, fmt.Errorf("byte %d, behind %d files: it ends in the middle: %w", at, len(files), ErrContainer)
		}
		sign := le.Uint32(data[at:])
		if sign == zipCentral || sign == zipEnd {
			return files, nil
		}
		if sign != zipLocal || len(data)-at < zipLocalSize || len(files) == maxZipFiles {
			return nil, fmt.Errorf("byte %d, behind %d files: no header: %w", at, len(files), ErrContainer)
		}
		size, name := int(le.Uint32(data[at+18:])), int(le.Uint16(data[at+26:]))
		if size > len(data) || len(data)-at-zipLocalSize < name+size {
			return nil, fmt.Errorf("byte %d, file %d: it ends in the middle: %w", at, len(files)+1, ErrContainer)
		}
		sum := le.Uint32(data[at+14:])
		at += zipLocalSize
		f := File{string(data[at : at+name]), data[at+name : at+name+size]}
		if have := crc32.ChecksumIEEE(f.Content); have != sum {
			return nil, &FileError{clip(f.Name), fmt.Errorf("its checksum is %08x, not %08x: %w", have, sum, ErrContainer)}
		}
		files = append(files, f)
		at += name + size
	}
}

// zipPlace says in which file's part of the container a byte is.
func zipPlace(files []File, at int) string {
	end := 0
	for _, f := range files {
		if end += zipLocalSize + len(f.Name); at < end {
			return "the header of " + f.Name
		}
		if end += len(f.Content); at < end {
			return f.Name
		}
	}
	return "the table of contents"
}

// fileName: relative, printable ASCII, no way out of the folder.
func fileName(s string) bool {
	if s == "" || len(s) > 200 || strings.HasPrefix(s, "/") {
		return false
	}
	for part := range strings.SplitSeq(s, "/") {
		if part == "" || part == "." || part == ".." {
			return false
		}
	}
	return strings.IndexFunc(s, func(r rune) bool { return r <= ' ' || r > '~' || r == '\\' || r == ':' }) < 0
}
