"""RGB spaces from their standards and ICC profiles for them, laid down byte by byte; used by make_frames.py.

By hand, so that no library's idea of a profile is tested against itself.
"""
import struct
import numpy as np

# ---------------------------------------------------------------- colour, from the standards
D65 = (0.3127, 0.3290)                                                             # IEC 61966-2-1, ITU-R BT.2020-2
SRGB = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)), D65                             # IEC 61966-2-1:1999
P3 = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)), D65                         # SMPTE EG 432-1, with D65
OPRGB = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), D65                            # IEC 61966-2-5 (opRGB)
ROMM = ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)), (0.3457, 0.3585)    # ISO 22028-2
REC2020 = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)), D65                    # ITU-R BT.2020-2, table 3
D50 = np.array([0.9642, 1.0, 0.8249])                                              # ICC.1:2010, 7.2.16


def xyz(xy):
    return np.array([xy[0] / xy[1], 1.0, (1 - xy[0] - xy[1]) / xy[1]])


def to_xyz(space):
    """RGB to XYZ of the space's own white, SMPTE RP 177-1993."""
    primaries = np.array([xyz(p) for p in space[0]]).T
    return primaries * np.linalg.solve(primaries, xyz(space[1]))


def bradford(a, b):
    """White a to white b, ICC.1:2010 Annex E."""
    cone = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    return np.linalg.inv(cone) @ np.diag((cone @ b) / (cone @ a)) @ cone


def to_rec2020(space):
    return np.linalg.inv(to_xyz(REC2020)) @ bradford(xyz(space[1]), xyz(D65)) @ to_xyz(space)


linear = lambda v: v
srgb = lambda v: np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)   # IEC 61966-2-1:1999, 5.2
oprgb = lambda v: v ** (563 / 256)                                                 # IEC 61966-2-5
romm = lambda v: np.where(v < 16 / 512, v / 16, v ** 1.8)                          # ISO 22028-2
gamma22 = lambda v: v ** 2.2


# ---------------------------------------------------------------- ICC profiles
s15 = lambda *v: b"".join(struct.pack(">i", round(x * 65536)) for x in v)
# Types of ICC.1:2010, clause 10
xyz_tag = lambda v: b"XYZ \0\0\0\0" + s15(*v)
curv = lambda *v: b"curv\0\0\0\0" + struct.pack(f">I{len(v)}H", len(v), *v)        # curveType
para = lambda kind, *v: b"para\0\0\0\0" + struct.pack(">HH", kind, 0) + s15(*v)    # parametricCurveType
PARA_SRGB = para(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
PARA_ROMM = para(3, 1.8, 1, 0, 1 / 16, 16 / 512)


def profile(version, name, space, tags, kind=b"mntr", colours=b"RGB "):
    """Version 2 (ICC.1:2001-04) states the white as it is, version 4 adapts it and says how (chad)."""
    if version == 2:
        name = name.encode() + b"\0"
        text = b"desc\0\0\0\0" + struct.pack(">I", len(name)) + name + bytes(4 + 4 + 2 + 1 + 67)
        note = b"text\0\0\0\0no rights reserved\0"
        more = [(b"wtpt", xyz_tag(xyz(space[1])))]
    else:
        mluc = lambda s: b"mluc\0\0\0\0" + struct.pack(">II4sII", 1, 12, b"enGB", 2 * len(s), 28) + s.encode("utf-16-be")
        text, note = mluc(name), mluc("no rights reserved")
        more = [(b"wtpt", xyz_tag(D50)), (b"chad", b"sf32\0\0\0\0" + s15(*bradford(xyz(space[1]), D50).ravel()))]
    tags = [(b"desc", text), (b"cprt", note)] + more + tags
    table, body, seen = b"", b"", {}
    for sign, data in tags:
        if data not in seen:                              # equal tags may share their bytes (ICC.1:2010, 7.3)
            body += bytes(-len(body) % 4)
            seen[data] = 128 + 4 + 12 * len(tags) + len(body)
            body += data
        table += struct.pack(">4sII", sign, seen[data], len(data))
    body += bytes(-len(body) % 4)
    head = struct.pack(">I4xI4s4s4s6H4s28x", 132 + len(table) + len(body), version << 24 | (0x400000 if version == 2 else 0),
                       kind, colours, b"XYZ ", 2028, 1, 1, 0, 0, 0, b"acsp") + s15(*D50) + bytes(48)
    return head + struct.pack(">I", len(tags)) + table + body


def matrix_profile(version, name, space, curve):
    columns = (bradford(xyz(space[1]), D50) @ to_xyz(space)).T
    return profile(version, name, space, [(s, xyz_tag(c)) for s, c in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns)]
                   + [(s, curve) for s in (b"rTRC", b"gTRC", b"bTRC")])


def table_profile(name, space, curve):
    """lut16Type (ICC.1:2010), an input profile: the curve, then the eight corners of the cube in XYZ."""
    entry = np.rint(curve(np.arange(256) / 255) * 65535).astype(">u2").tobytes()
    corners = np.array([[r, g, b] for r in (0, 1) for g in (0, 1) for b in (0, 1)])
    cube = corners @ (bradford(xyz(space[1]), D50) @ to_xyz(space)).T
    lut = b"mft2\0\0\0\0" + bytes([3, 3, 2, 0]) + s15(1, 0, 0, 0, 1, 0, 0, 0, 1) + struct.pack(">HH", 256, 2)
    lut += entry * 3 + np.rint(cube * 32768).astype(">u2").tobytes() + struct.pack(">6H", *(0, 65535) * 3)
    return profile(2, name, space, [(b"A2B0", lut)], kind=b"scnr")
