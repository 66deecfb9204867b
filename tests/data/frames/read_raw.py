#!/usr/bin/env python3
"""Means of a window of a raw file (DNG) by LibRaw, beside which the suite reads the same file.

    pip install rawpy==0.28.0 numpy==2.4.6               # rawpy bundles LibRaw 0.22.2; Python 3.11
    python read_raw.py FILE.dng x0 y0 x1 y1 > means.csv

The window is in pixels of the visible area from its top left, x1 and y1 not in it, and the picture is not turned.
Rows are `file,stage,channel,pixels,mean,low,high`:
    mosaic          each filter's own sites: (value - black) / (white - black), nothing clipped
    camera-linear   demosaiced (AHD), 1 = white, the camera's own colours times its white balance, least gain 1
    srgb-linear     the same in light of sRGB's primaries; colours outside them are clipped at 0
"""
import csv, os, sys
import numpy as np
import rawpy


def main(path, x0, y0, x1, y1):
    name, window = os.path.basename(path), np.s_[y0:y1, x0:x1]
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow("file stage channel pixels mean low high".split())

    def put(stage, channel, values):
        if values.size:
            out.writerow([name, stage, channel, values.size, *(f"{f(values):.7g}" for f in (np.mean, np.min, np.max))])

    with rawpy.imread(path) as raw:
        sizes = raw.sizes
        if not (0 <= x0 < x1 <= sizes.width and 0 <= y0 < y1 <= sizes.height):
            sys.exit(f"the window is not within {sizes.width} x {sizes.height}")
        names = raw.color_desc.decode()                     # "RGBG": the second green is a channel of its own
        black = np.array(raw.black_level_per_channel, float)
        print(f"{name}: {names} black {black} white {raw.white_level} balance {raw.camera_whitebalance} turned {sizes.flip}",
              file=sys.stderr)
        value = raw.raw_image_visible[window].astype(float)
        if value.ndim == 2:
            site = raw.raw_colors_visible[window]
            scaled = (value - black[site]) / (raw.white_level - black[site])
            for c in range(len(names)):
                put("mosaic", f"{names[c]}{c}", scaled[site == c])
        else:                                               # a linear DNG: every pixel has every colour already
            for c in range(min(3, value.shape[-1])):
                put("linear", f"{names[c]}{c}", (value[..., c] - black[c]) / (raw.white_level - black[c]))
        # By default LibRaw takes the brightest value it finds for white when that is near enough to it
        # (adjust_maximum_thr 0.75), which would make the scale depend on the picture: off.
        common = dict(gamma=(1, 1), no_auto_bright=True, use_camera_wb=True, output_bps=16, user_flip=0,
                      adjust_maximum_thr=0.0, demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD)
        for stage, space in (("camera-linear", rawpy.ColorSpace.raw), ("srgb-linear", rawpy.ColorSpace.sRGB)):
            picture = raw.postprocess(output_color=space, **common)[window] / 65535
            for c in range(picture.shape[-1]):
                put(stage, "RGBG"[c], picture[..., c])


if __name__ == "__main__":
    if len(sys.argv) != 6:
        sys.exit(__doc__)
    main(sys.argv[1], *map(int, sys.argv[2:]))
