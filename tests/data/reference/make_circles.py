"""Circles of the sample frames by OpenCV, a general-purpose library, beside which the suite prints ours.

Run from the project's top folder; writes tests/data/reference/circles.csv. Pinned:
    opencv-python-headless==5.0.0.93  numpy==2.4.6
Two of its ways are tried on each frame, as a user of the library would without knowing the phase:
the Hough transform on the gradient (HOUGH_GRADIENT_ALT, its own sub-pixel centre), and the smallest circle
around the largest contour of an Otsu threshold. OpenCV's pixel centres are whole numbers; half a pixel is added.
"""

import csv
import glob
import os

import cv2

rows = []
for path in sorted(glob.glob("sample-frames/tele/*.jpg")):
    grey = cv2.imread(path, cv2.IMREAD_GRAYSCALE)
    soft = cv2.GaussianBlur(grey, (0, 0), 2)
    hough = cv2.HoughCircles(soft, cv2.HOUGH_GRADIENT_ALT, 1.5, 200, param1=60, param2=0.5, minRadius=200, maxRadius=300)
    found = [""] * 3 if hough is None else [f"{float(v) + o:.2f}" for v, o in zip(hough[0][0][:3], (0.5, 0.5, 0.0))]
    _, mask = cv2.threshold(soft, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    (x, y), r = cv2.minEnclosingCircle(max(contours, key=cv2.contourArea))
    rows.append([os.path.basename(path), *found, f"{x + 0.5:.2f}", f"{y + 0.5:.2f}", f"{r:.2f}"])

with open("tests/data/reference/circles.csv", "w", newline="") as out:
    out.write("# Circles of sample-frames/tele by OpenCV " + cv2.__version__ + "; see make_circles.py. Pixels, origin at the corner.\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["file", "hough_x", "hough_y", "hough_r", "contour_x", "contour_y", "contour_r"])
    writer.writerows(rows)
