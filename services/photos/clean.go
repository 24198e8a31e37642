package photos

import (
	"bytes"
	"encoding/binary"
	"image"
	"image/color"
	"image/jpeg"
	_ "image/png" // one of the kinds that are taken

	"golang.org/x/image/draw"
	_ "golang.org/x/image/webp" // one of the kinds that are taken
)

const quality = 85 // of a JPEG that is drawn anew

// clean returns the picture as it is kept.
func clean(sent []byte) ([]byte, error) {
	size, kind, err := image.DecodeConfig(bytes.NewReader(sent))
	if err != nil {
		return nil, ErrKind
	}
	if size.Width <= 0 || size.Height <= 0 {
		return nil, ErrDamaged
	}
	if int64(size.Width)*int64(size.Height) > PixelsMax {
		return nil, ErrPixels
	}
	img, _, err := image.Decode(bytes.NewReader(sent))
	if err != nil {
		return nil, ErrDamaged
	}
	turn := 1
	if kind == "jpeg" {
		m := markers(sent)
		if m.plain && max(size.Width, size.Height) <= SideMax {
			return sent, nil
		}
		turn = m.orientation
	}
	var b bytes.Buffer
	if err := jpeg.Encode(&b, upright(shrink(img), turn), &jpeg.Options{Quality: quality}); err != nil {
		return nil, ErrDamaged
	}
	return b.Bytes(), nil
}

// shrink draws the picture on white, at most SideMax pixels long.
func shrink(img image.Image) *image.RGBA {
	from := img.Bounds()
	w, h := from.Dx(), from.Dy()
	if side := max(w, h); side > SideMax {
		w, h = max(1, w*SideMax/side), max(1, h*SideMax/side)
	}
	to := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(to, to.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.BiLinear.Scale(to, to.Bounds(), img, from, draw.Over, nil)
	return to
}

// upright turns the picture as the camera's note says: orientation 1 to 8 of
// Exif 2.32 (JEITA CP-3451E), tag 0x0112.
func upright(img *image.RGBA, orientation int) *image.RGBA {
	if orientation <= 1 || orientation > 8 {
		return img
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	size := image.Rect(0, 0, w, h)
	if orientation >= 5 {
		size = image.Rect(0, 0, h, w)
	}
	out := image.NewRGBA(size)
	for y := range size.Dy() {
		for x := range size.Dx() {
			sx, sy := source(orientation, x, y, w, h)
			out.SetRGBA(x, y, img.RGBAAt(sx, sy))
		}
	}
	return out
}

// source is the pixel of the stored picture, w by h, that belongs at (x, y) of
// the upright one.
func source(orientation, x, y, w, h int) (int, int) {
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

// noted is what stands in a JPEG beside the picture.
type noted struct {
	plain       bool // nothing but the picture and its colours
	orientation int
}

// Markers of a JPEG (ITU-T T.81, table B.1).
const (
	markSOF0 = 0xc0
	markDHT  = 0xc4
	markSOI  = 0xd8
	markEOI  = 0xd9
	markSOS  = 0xda
	markDQT  = 0xdb
	markDRI  = 0xdd
	markAPP0 = 0xe0
	markCOM  = 0xfe
)

// markers walks over the segments of a JPEG that can be decoded. It takes one
// for plain only if it knows each segment and nothing follows the picture.
func markers(b []byte) noted {
	n := noted{plain: true, orientation: 1}
	for at := 2; ; {
		if at+4 > len(b) || b[at] != 0xff {
			n.plain = false
			return n
		}
		mark := b[at+1]
		length := int(binary.BigEndian.Uint16(b[at+2:]))
		if length < 2 || at+2+length > len(b) {
			n.plain = false
			return n
		}
		body := b[at+4 : at+2+length]
		switch {
		case mark == markSOS:
			n.plain = n.plain && endsThere(b[at+2+length:])
			return n
		case mark == markAPP0 && bytes.HasPrefix(body, []byte("JFIF\x00")) && len(body) == 14,
			mark == markAPP0+2 && bytes.HasPrefix(body, []byte("ICC_PROFILE\x00")),
			mark == markAPP0+14 && bytes.HasPrefix(body, []byte("Adobe")) && len(body) == 12,
			mark == markSOF0, mark == markSOF0+1, mark == markSOF0+2, mark == markDHT, mark == markDQT, mark == markDRI:
		default:
			n.plain = false
			if mark == markAPP0+1 && bytes.HasPrefix(body, []byte("Exif\x00\x00")) {
				n.orientation = orientation(body[6:])
			}
		}
		at += 2 + length
	}
}

// endsThere: from a scan on, nothing but scans and their tables, then the end.
func endsThere(b []byte) bool {
	for at := 0; at+1 < len(b); at++ {
		if b[at] != 0xff {
			continue
		}
		switch mark := b[at+1]; {
		case mark == markEOI:
			return at+2 == len(b)
		case mark >= markAPP0 && mark <= markAPP0+15, mark == markCOM, mark == markSOI:
			return false
		}
	}
	return false
}

// orientation reads the tag 0x0112 of the first directory of a TIFF header; 1
// if there is none.
func orientation(tiff []byte) int {
	if len(tiff) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.LittleEndian
	if tiff[0] == 'M' {
		order = binary.BigEndian
	}
	at := int64(order.Uint32(tiff[4:]))
	if at+2 > int64(len(tiff)) {
		return 1
	}
	entries := int64(order.Uint16(tiff[at:]))
	for i := range entries {
		e := at + 2 + 12*i
		if e+12 > int64(len(tiff)) {
			return 1
		}
		if order.Uint16(tiff[e:]) == 0x0112 {
			return int(order.Uint16(tiff[e+8:]))
		}
	}
	return 1
}
