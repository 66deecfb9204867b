#!/usr/bin/env python3
"""Small pictures with known light, made and read by general-purpose libraries, beside which the suite reads them.

    pip install numpy==2.4.6 pillow==13.0.0 tifffile==2026.3.3 astropy==8.0.2 imagecodecs==2026.3.6
    python make_frames.py            # Python 3.11; writes the pictures and values*.csv into its own folder
    python make_frames.py --check    # and measures the values against LittleCMS (inside imagecodecs)

The expected light is what the libraries decode from the finished files, taken through the published curve and
primaries; the numbers in the profiles (rounded to 1/65536, adapted to D50) are not used for it, only by --check.
"""
import csv, os, struct, sys, zlib
import imagecodecs
import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image
sys.dont_write_bytecode = True                            # no cache folder in the tree
from icc_profiles import (OPRGB, P3, REC2020, ROMM, SRGB, PARA_ROMM, PARA_SRGB, curv, gamma22, linear, matrix_profile,
                          oprgb, para, profile, romm, srgb, table_profile, to_rec2020)

HERE = os.path.dirname(os.path.abspath(__file__))
path = lambda name: os.path.join(HERE, name)


def codes(curve, light, top):
    """The whole codes whose light lies nearest: by search, so that no curve need be written twice."""
    steps = curve(np.arange(top + 1) / top)
    return np.abs(steps[:, None] - light.ravel()).argmin(0).reshape(light.shape)


# ---------------------------------------------------------------- writers
def png(name, pixels, iccp=None, claim=None):
    """By hand (W3C PNG, second edition, 11.2 and 11.3.3.3): Pillow writes no 16-bit colour."""
    chunk = lambda kind, data: struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
    height, width = claim or pixels.shape[:2]
    rows = b"".join(b"\0" + row.tobytes() for row in pixels.astype(">u2" if pixels.dtype == np.uint16 else "u1"))
    head = struct.pack(">IIBBBBB", width, height, 8 * pixels.itemsize, 2 if pixels.ndim == 3 else 0, 0, 0, 0)
    with open(path(name), "wb") as out:
        out.write(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head))
        if iccp:
            out.write(chunk(b"iCCP", b"profile\0\0" + zlib.compress(iccp, 9)))
        out.write(chunk(b"IDAT", zlib.compress(rows, 9)) + chunk(b"IEND", b""))


def tiff(name, pixels, icc=None, order="<"):
    tifffile.imwrite(path(name), pixels, byteorder=order, photometric="rgb" if pixels.ndim == 3 else "minisblack",
                     iccprofile=icc, metadata=None, software=False)


def decoded(name):
    """The finished file by a library that had no hand in the curves: values as stored."""
    if name.endswith(".tif"):
        return tifffile.imread(path(name)), "tifffile"
    if name.endswith("16.png"):
        return imagecodecs.imread(path(name), codec="png"), "imagecodecs"
    return np.asarray(Image.open(path(name))), "Pillow"


def write_csv(name, about, rows):
    with open(path(name), "w", newline="") as out:
        out.write(f"# {about} Linear Rec. 2020, 1 = file white, x and y from the top left; see README.md.\n")
        writer = csv.writer(out, lineterminator="\n")
        writer.writerows([["file", "x", "y", "red", "green", "blue", "source"]] + rows)


row = lambda name, x, y, rgb, source: [name, x, y, *(f"{v + 0.0:.6g}" for v in rgb), source]

# ---------------------------------------------------------------- pictures: 4 x 3 patches, in light of the file's space
PATCHES = np.array([
    [(0, 0, 0), (1, 1, 1), (0.18, 0.18, 0.18), (0.02, 0.006, 0.002)],                # black, white, grey, dark copper
    [(0.9, 0.004, 0.002), (0.003, 0.85, 0.005), (0.004, 0.002, 0.8), (0.45, 0.22, 0.12)],  # gamut's edge; copper
    [(8e-4, 8e-4, 8e-4), (0.003, 0.001, 5e-4), (0.05, 0.09, 0.2), (0.95, 0.85, 0.6)]])     # very dark; twilight; warm
GREYS = np.array([[0, 1, 0.18, 0.02], [0.9, 0.5, 0.3, 0.1], [8e-4, 0.003, 0.05, 0.7]])
FLOAT = PATCHES + (PATCHES == 0.9) * 0.9                # red to 1.8: light above white
grow = lambda patches, n: patches.repeat(n, 0).repeat(n, 1)
PICTURES = {  # name: primaries, curve, profile
    "adobe-rgb-compatible-16.tif": (OPRGB, oprgb, matrix_profile(2, "opRGB, power 563/256", OPRGB, curv(563))),
    "display-p3-8.png": (P3, srgb, matrix_profile(4, "P3 primaries, sRGB curve", P3, PARA_SRGB)),
    "display-p3-8.jpg": (P3, srgb, matrix_profile(2, "P3 primaries, sRGB curve, sampled", P3, curv(
        *np.rint(srgb(np.arange(341) / 340) * 65535).astype(int)))),
    "prophoto-16.tif": (ROMM, romm, matrix_profile(4, "ROMM RGB", ROMM, PARA_ROMM)),
    "linear-srgb-16.tif": (SRGB, linear, matrix_profile(2, "sRGB primaries, linear", SRGB, curv())),
    "linear-rec2020-16.png": (REC2020, linear, matrix_profile(4, "Rec. 2020 primaries, linear", REC2020, curv(0, 65535))),
    "grey-gamma22-8.png": (None, gamma22, profile(4, "Grey, power 2.2", SRGB, [(b"kTRC", para(0, 2.2))], colours=b"GRAY")),
    "table-profile-8.png": (OPRGB, oprgb, table_profile("opRGB as a table", OPRGB, oprgb)),
    "srgb-untagged-16.tif": (SRGB, srgb, None),
    "big-endian-16.tif": (SRGB, srgb, None),
    "broken-profile.png": (SRGB, srgb, bytes(range(7, 250, 3)) * 4),
    "grey-float.tif": (None, linear, None),
    "rgb-float.tif": (SRGB, linear, None),
}


def expected(space, curve, stored):
    light = curve(stored / (1 if stored.dtype.kind == "f" else np.iinfo(stored.dtype).max))
    return light @ to_rec2020(space).T if space else light[..., None].repeat(3, -1)


def pictures():
    rows, worst = [], 0.0
    for name, (space, curve, icc) in PICTURES.items():
        size = 16 if name.endswith(".jpg") else 2
        if "float" in name:
            pixels = (FLOAT if space else GREYS * 2).astype(np.float32)
        else:
            deep = "16" in name
            pixels = codes(curve, PATCHES if space else GREYS, 65535 if deep else 255).astype(np.uint16 if deep else np.uint8)
        pixels = grow(pixels, size)
        if name.endswith(".tif"):
            tiff(name, pixels, icc, ">" if name.startswith("big") else "<")
        elif name.endswith(".png"):
            png(name, pixels, icc)
        else:
            Image.fromarray(pixels).save(path(name), quality=100, subsampling=0, optimize=True, icc_profile=icc)
        stored, library = decoded(name)
        assert stored.shape == pixels.shape and np.abs(stored - pixels.astype(float)).max() <= (1 if size > 2 else 0), name
        light = expected(space, curve, stored)
        at = [(c * size + size // 2, r * size + size // 2) for r in range(3) for c in range(4)]
        rows += [row(name, x, y, light[y, x], library) for x, y in at]
        if "--check" in sys.argv and icc and name != "broken-profile.png":
            worst = max(worst, check(name, stored, icc, light))
    write_csv("values.csv", "Pictures: one row a patch.", rows)
    return worst


def check(name, stored, icc, light):
    """LittleCMS from the file's own profile to linear Rec. 2020, in floating point and unbounded."""
    colours = "rgb" if stored.ndim == 3 else "gray"
    out = matrix_profile(4, "linear Rec. 2020", REC2020, para(0, 1.0))
    unit = np.ascontiguousarray(stored / np.iinfo(stored.dtype).max)
    theirs = imagecodecs.cms_transform(unit, icc, out, colorspace=colours, outcolorspace="rgb", outdtype="f8", intent=1)
    gap = np.abs(theirs - light).max()
    print(f"{name:30} LittleCMS differs by at most {gap:.1e}")
    return gap


# ---------------------------------------------------------------- FITS: 12 x 8, a gradient and a patch off the middle
def fits_files():
    # The standard sets the order in the file (FITS 4.0, 3.3.2); that the first row is shown at the bottom is custom,
    # and ROWORDER a convention beside the standard.
    r, c = np.mgrid[0:8, 0:12]                            # r counts from the top of the picture as displayed
    slope = (c + 15 * r + 1) / 125
    slope[1:3, 7:10] = 0.96
    planes = np.stack([slope, slope[:, ::-1] * 0.5, (1 - slope) * 0.25])
    word = lambda v: np.rint(v * 65535).astype(np.uint16)
    made = {  # name: data, divisor
        "mono-16.fits": (word(slope), 65535), "mono-float.fits": (slope.astype(np.float32), 1),
        "planes-16.fits": (word(planes), 65535), "planes-float.fits": (planes.astype(np.float32), 1),
        "int32.fits": (word(slope).astype(np.int32), 65535), "byte.fits": (np.rint(slope * 255).astype(np.uint8), 255)}
    tables = {"mono": [], "planes": [], "integer": []}
    for name, (data, white) in made.items():
        down = name == "planes-16.fits"
        hdu = fits.PrimaryHDU(data if down else data[..., ::-1, :])
        hdu.header["DATE-OBS"] = "2028-12-31T16:52:03.250"
        hdu.header["EXPTIME"] = 0.5
        if down:
            hdu.header["ROWORDER"] = "TOP-DOWN"
        hdu.writeto(path(name), overwrite=True)
        with fits.open(path(name)) as back:
            value = np.asarray(back[0].data, float) / white
            value = value if back[0].header.get("ROWORDER") == "TOP-DOWN" else value[..., ::-1, :]
        light = np.moveaxis(value, 0, -1) @ to_rec2020(SRGB).T if value.ndim == 3 else value[..., None].repeat(3, -1)
        kind = name.split("-")[0] if "-" in name else "integer"
        tables[kind] += [row(name, x, y, light[y, x], "astropy") for y in range(8) for x in range(12)]
    for kind, rows in tables.items():
        write_csv(f"values-fits-{kind}.csv", "FITS: one row a pixel.", rows)


# ---------------------------------------------------------------- files that must be refused
def broken_files():
    for source, name, keep in (("mono-16.fits", "truncated.fits", 2880 + 90), ("srgb-untagged-16.tif", "truncated-16.tif", -140)):
        with open(path(source), "rb") as whole, open(path(name), "wb") as cut:
            cut.write(whole.read()[:keep])
    png("absurd.png", np.zeros((2, 2, 3), np.uint16), claim=(2_000_000, 2_000_000))
    tiff("absurd.tif", np.zeros((2, 2, 3), np.uint16))
    with tifffile.TiffFile(path("absurd.tif"), mode="r+") as file:
        for tag in (256, 257, 278):                       # width, length, rows in a strip
            file.pages[0].tags[tag].overwrite(2_000_000, dtype="I")
    header = fits.PrimaryHDU().header
    header.update({"BITPIX": 16, "NAXIS": 2})
    header.set("NAXIS1", 2_000_000, after="NAXIS")
    header.set("NAXIS2", 2_000_000, after="NAXIS1")
    with open(path("absurd.fits"), "wb") as out:
        out.write(header.tostring().encode() + bytes(90))


worst = pictures()
fits_files()
broken_files()
if "--check" in sys.argv:
    print(f"largest difference {worst:.1e}")
