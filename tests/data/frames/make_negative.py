#!/usr/bin/env python3
"""A lossy digital negative whose numbers are light only after its own polynomials, and what LibRaw makes of it.

    pip install numpy==2.4.6 pillow==13.0.0 rawpy==0.28.0   # rawpy bundles LibRaw 0.22.2; Python 3.11
    python make_negative.py                                  # writes lossy.dng and values-lossy.csv beside itself

Adobe DNG Specification 1.7: compression 34892 (lossy JPEG) of photometric interpretation 34892 (LinearRaw), and
OpcodeList2 with one MapPolynomial a plane (chapter 7).
"""
import csv, io, os, struct
import numpy as np
import rawpy
from PIL import Image

HERE = os.path.dirname(os.path.abspath(__file__))
SIDE, PATCH = 64, 16
POLYNOMIALS = [[0.0, 0.1, 0.9], [0.0, 0.25, 0.0, 0.75], [0.0, 0.0, 1.0]]


def opcodes():
    out = struct.pack(">I", 3)
    for plane, k in enumerate(POLYNOMIALS):
        own = struct.pack(">8I", 0, 0, SIDE, SIDE, plane, 1, 1, 1) + struct.pack(">I", len(k) - 1)
        own += b"".join(struct.pack(">d", v) for v in k)
        out += struct.pack(">4I", 8, 0x01030000, 0, len(own)) + own
    return out


def main():
    levels = np.linspace(30, 235, (SIDE // PATCH) ** 2).round().astype(np.uint8)
    y, x = np.mgrid[0:SIDE, 0:SIDE]
    at = (y // PATCH) * (SIDE // PATCH) + x // PATCH
    code = np.stack([levels[at], levels[::-1][at], levels[(at * 5) % len(levels)]], -1)
    jpeg = io.BytesIO()
    Image.fromarray(code).save(jpeg, "JPEG", quality=100, subsampling=0)
    jpeg = jpeg.getvalue()
    data, list2 = bytearray(), opcodes()
    matrix = [(3.2404542, -1.5371385, -0.4985314), (-0.9692660, 1.8760108, 0.0415560), (0.0556434, -0.2040259, 1.0572252)]
    flat = [v for row in matrix for v in row]              # XYZ to sRGB (IEC 61966-2-1)
    entries = [  # tag, type, count, value bytes
        (254, 4, 1, struct.pack("<I", 0)), (256, 4, 1, struct.pack("<I", SIDE)), (257, 4, 1, struct.pack("<I", SIDE)),
        (258, 3, 3, struct.pack("<3H", 8, 8, 8)), (259, 3, 1, struct.pack("<H", 34892)),
        (262, 3, 1, struct.pack("<H", 34892)), (271, 2, 5, b"Test\0"), (272, 2, 7, b"Camera\0"),
        (274, 3, 1, struct.pack("<H", 1)), (277, 3, 1, struct.pack("<H", 3)), (284, 3, 1, struct.pack("<H", 1)),
        (322, 4, 1, struct.pack("<I", SIDE)), (323, 4, 1, struct.pack("<I", SIDE)), (324, 4, 1, "tile"),
        (325, 4, 1, struct.pack("<I", len(jpeg))), (50706, 1, 4, bytes([1, 4, 0, 0])), (50707, 1, 4, bytes([1, 4, 0, 0])),
        (50708, 2, 12, b"Test Camera\0"), (50714, 3, 3, struct.pack("<3H", 0, 0, 0)),
        (50717, 3, 3, struct.pack("<3H", 255, 255, 255)),
        (50721, 10, 9, b"".join(struct.pack("<2i", round(v * 1e6), 1000000) for v in flat)),
        (50728, 5, 3, struct.pack("<6I", 1, 1, 1, 1, 1, 1)), (50778, 3, 1, struct.pack("<H", 21)),
        (51009, 7, len(list2), list2)]
    start = 8 + 2 + 12 * len(entries) + 4
    directory = struct.pack("<H", len(entries))
    for tag, kind, count, value in entries:
        if value == "tile":
            data += b"\0" * (len(data) % 2)
            value = struct.pack("<I", start + len(data))
            data += jpeg
        if len(value) > 4:
            data += b"\0" * (len(data) % 2)
            place = struct.pack("<I", start + len(data))
            data += value
            value = place
        directory += struct.pack("<HHI", tag, kind, count) + value.ljust(4, b"\0")
    name = os.path.join(HERE, "lossy.dng")
    with open(name, "wb") as out:
        out.write(b"II*\0" + struct.pack("<I", 8) + directory + struct.pack("<I", 0) + bytes(data))
    with rawpy.imread(name) as raw, open(os.path.join(HERE, "values-lossy.csv"), "w", newline="") as table:
        table.write("# Middles of the patches of lossy.dng: light in sRGB's primaries, by LibRaw (make_negative.py).\n")
        picture = raw.postprocess(output_color=rawpy.ColorSpace.raw, gamma=(1, 1), no_auto_bright=True, use_camera_wb=True,
                                  output_bps=16, user_flip=0, adjust_maximum_thr=0.0) / 65535
        out = csv.writer(table, lineterminator="\n")
        out.writerow("x y red green blue".split())
        for i in range(len(levels)):
            px, py = (i % 4) * PATCH + PATCH // 2, (i // 4) * PATCH + PATCH // 2
            here = code[py, px] / 255
            expected = [sum(k * v**n for n, k in enumerate(p)) for p, v in zip(POLYNOMIALS, here)]
            print(picture[py, px], expected)
            out.writerow([px, py, *(f"{v:.6f}" for v in picture[py, px])])


main()
