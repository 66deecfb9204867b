#!/usr/bin/env python3
"""Reads pictures the program wrote with every general-purpose library that can, and holds the readers to one another.

    pip install numpy==2.4.6 pillow==13.0.0 tifffile==2026.3.3 imagecodecs==2026.3.6 OpenEXR==3.5.3 \\
                opencv-python-headless==4.14.0.94      # of the 4 line: the wheels of 5.0.0 are built without OpenEXR
    python read_pictures.py FILE... > table.csv         # Python 3.11; exits 1 if two readers differ or none can read

A row is `file,reader,width,height,dtype,x,y,red,green,blue`: values as stored, of a 5 x 5 lattice that includes the
corners. Rows without x and y hold metadata: its name in the column `dtype`, its value in `red`. All pixels and
channels are compared, not the lattice alone; OpenCV hands over half floats as single ones, which is exact.
"""
import csv, hashlib, io, os, sys
os.environ["OPENCV_IO_ENABLE_OPENEXR"] = "1"               # both are read when OpenCV is loaded
os.environ["OPENCV_IO_MAX_IMAGE_PIXELS"] = str(1 << 36)
import xml.etree.ElementTree as ET
import cv2
import imagecodecs
import numpy as np
import OpenEXR
import tifffile
from PIL import Image, ImageCms

Image.MAX_IMAGE_PIXELS = None
DC, RDF = "{http://purl.org/dc/elements/1.1/}", "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
MAGIC = {b"II*\0": "tiff", b"MM\0*": "tiff", b"II+\0": "tiff", b"MM\0+": "tiff", b"\x89PNG": "png",
         b"v/1\x01": "exr"}


def by_opencv(path, kind):
    pixels = cv2.imread(path, cv2.IMREAD_UNCHANGED)         # as stored: depth, alpha, and no turning by EXIF
    if pixels is None:
        raise ValueError("refused")
    return pixels if pixels.ndim == 2 else pixels[..., [2, 1, 0, 3][:pixels.shape[2]]]


def by_pillow(path, kind):
    with Image.open(path) as image:
        deep = {"png": lambda: open(path, "rb").read(25)[24] == 16,
                "tiff": lambda: max(np.atleast_1d(image.tag_v2.get(258, 1))) > 8}.get(kind, lambda: False)()
        if image.mode in ("RGB", "RGBA") and deep:
            raise ValueError("8 bits of 16")                # Pillow keeps no deep colour
        return np.asarray(image)


def by_openexr(path, kind):
    channels = OpenEXR.File(path, separate_channels=True).channels()
    return np.stack([channels[c].pixels for c in (("R", "G", "B", "A") if "R" in channels else ("Y",)) if c in channels], -1)


def by_imagecodecs(path, kind):
    decode = {"png": imagecodecs.png_decode, "jpeg": imagecodecs.jpeg8_decode}[kind]
    with open(path, "rb") as file:
        return decode(file.read())


READERS = {"tiff": {"tifffile": lambda path, kind: tifffile.imread(path, key=0), "Pillow": by_pillow, "OpenCV": by_opencv},
           "png": {"imagecodecs": by_imagecodecs, "Pillow": by_pillow, "OpenCV": by_opencv},
           "jpeg": {"imagecodecs": by_imagecodecs, "Pillow": by_pillow, "OpenCV": by_opencv},
           "exr": {"OpenEXR": by_openexr, "OpenCV": by_opencv}}


def title(xmp):
    root = ET.fromstring(xmp.strip(b"\0 \r\n") if isinstance(xmp, bytes) else xmp)
    node = root.find(f".//{DC}title/{RDF}Alt/{RDF}li")      # ISO 16684-1, 8.3: a language alternative
    return "absent" if node is None else node.text


def metadata(path, kind):
    """(reader, {name: value}); icc and xmp as bytes."""
    if kind == "exr":
        head = OpenEXR.File(path, header_only=True).header()
        keep = {k: v for k, v in head.items() if k in ("chromaticities", "whiteLuminance", "software", "xmp", "compression")}
        yield "OpenEXR", keep | {"dpi": (head["xDensity"],) * 2 if "xDensity" in head else None}
        return
    if kind == "tiff":
        with tifffile.TiffFile(path) as file:
            page = file.pages[0]
            value = lambda tag: page.tags[tag].value if tag in page.tags else None
            scale = {2: 1, 3: 2.54}.get(int(value(296) or 1))   # without a unit it is an aspect alone, as Pillow holds too
            dpi = tuple(n / d * scale for n, d in (value(282), value(283))) if value(282) and value(283) and scale else None
            xmp = value(700)
            yield "tifffile", {"icc": page.iccprofile, "xmp": xmp if xmp is None else bytes(xmp), "dpi": dpi,
                               "software": value(305), "bigtiff": file.is_bigtiff, "compression": page.compression.name}
    try:
        with Image.open(path) as image:
            image.load()
            text = getattr(image, "text", {})
            xmp = image.info.get("xmp") or text.get("XML:com.adobe.xmp")   # the keyword in PNG's iTXt (XMP, part 3)
            software = text.get("Software") or image.getexif().get(305)
            yield "Pillow", {"icc": image.info.get("icc_profile"), "xmp": xmp.encode() if isinstance(xmp, str) else xmp,
                             "dpi": image.info.get("dpi"), "software": software}
    except (OSError, ValueError) as why:
        print(f"{path}: metadata not by Pillow: {why}", file=sys.stderr)


def described(found):
    """The rows of one reader's metadata: names and printable values."""
    icc, xmp, dpi = found.pop("icc", None), found.pop("xmp", None), found.pop("dpi", None)
    if icc:
        try:
            yield "icc-description", ImageCms.ImageCmsProfile(io.BytesIO(icc)).profile.profile_description
        except OSError as why:
            yield "icc-description", f"unreadable: {why}"
    yield "icc-sha256", hashlib.sha256(icc).hexdigest() if icc else "absent"
    yield "dpi", "absent" if not dpi else " ".join(f"{float(v):.2f}" for v in dpi)   # PNG counts whole pixels a metre
    yield "xmp", "present" if xmp else "absent"
    yield "dc:title", title(xmp) if xmp else "absent"
    yield "software", found.pop("software", None) or "absent"
    yield from found.items()


def main(paths):
    out, agreed = csv.writer(sys.stdout, lineterminator="\n"), True
    out.writerow("file reader width height dtype x y red green blue".split())
    for path in paths:
        name = os.path.basename(path)
        with open(path, "rb") as file:
            magic = file.read(4)
        kind = "jpeg" if magic[:3] == b"\xff\xd8\xff" else MAGIC.get(magic)
        first = None
        for reader, read in READERS.get(kind, {}).items():
            try:
                pixels = read(path, kind)
            except Exception as why:                        # a reader that cannot is no fault of the file's, if others can
                print(f"{path}: not by {reader}: {why}", file=sys.stderr)
                continue
            pixels = pixels.reshape(*pixels.shape[:2], -1)
            height, width, count = pixels.shape
            for y in np.linspace(0, height - 1, 5).round().astype(int):
                for x in np.linspace(0, width - 1, 5).round().astype(int):
                    rgb = pixels[y, x, :3] if count > 2 else pixels[y, x, [0, 0, 0]]
                    out.writerow([name, reader, width, height, pixels.dtype, x, y, *rgb.tolist()])
            if first is None:
                first = reader, pixels
            elif pixels.shape != first[1].shape or not np.array_equal(pixels, first[1], equal_nan=pixels.dtype.kind == "f"):
                agreed = False
                print(f"{path}: {reader} differs from {first[0]}: {pixels.shape} {first[1].shape}", file=sys.stderr)
        if first is None:
            agreed = False
            print(f"{path}: no reader", file=sys.stderr)
            continue
        known = {}
        for reader, found in metadata(path, kind):
            for key, value in described(found):
                out.writerow([name, reader, "", "", key, "", "", value, "", ""])
                if known.setdefault(key, value) != value:
                    agreed = False
                    print(f"{path}: {reader} differs in {key}: {value!r}, not {known[key]!r}", file=sys.stderr)
    return 0 if agreed else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]) if len(sys.argv) > 1 else __doc__)
