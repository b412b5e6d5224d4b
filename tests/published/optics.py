"""Published values that photos, lenses, paper and targets are checked against, with their sources."""

# CIPA DCG-001-Translation-2018 (digital cameras' specifications): 35 mm-equivalent focal length by the picture's
# diagonal against that of the 36 x 24 mm frame, hypot(36, 24) mm.
DIAGONAL_35MM_MM = 43.266615305567875
# EXIF of the phone photograph singlemarkersoriginal.jpg in Debian's opencv-doc 4.6.0: 4.25 mm, 26 mm equivalent,
# 640 x 480 pixels; Exif 2.32 tags 0x920A, 0xA405.
PHONE_PHOTO = {"focal_mm": 4.25, "focal_35mm": 26.0, "size": (640, 480), "make": "Apple"}
PHONE_FOCAL_PX = 480.74017006186523  # 26 x hypot(640, 480) / DIAGONAL_35MM_MM

# ISO 216:2007 (A series) and ANSI/ASME Y14.1 (letter, 8.5 x 11 inches).
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}

# left_intrinsics.yml of Debian's opencv-doc 4.6.0 (examples/data), computed by its authors from 13 of the photographs
# left01.jpg to left14.jpg of a 9 x 6 chessboard of 25 mm squares.
CHESSBOARD = {
    "inner": (9, 6),
    "square_mm": 25.0,
    "photos": 13,
    "f_px": 535.91573396163199,
    "cx_px": 342.28315473308373,
    "cy_px": 235.57082909788173,
    "k1": -0.26637260909660682,
    "rms_px": 0.39259098975581364,
}

# choriginal.jpg of Debian's opencv-doc 4.6.0: a 5 x 7 board of 40 mm squares with 20 mm markers, DICT_6X6_250.
# The library's own corners fit a homography to 0.218 px (OpenCV 5.0); the markers' corners in whole pixels are those
# of OpenCV 4.12, modules/objdetect/test/test_aruco_tutorial.cpp, can_find_choriginal.
CHARUCO = {"squares": (5, 7), "square_mm": 40.0, "marker_mm": 20.0, "corners": 24, "homography_rms_px": 0.218}
CHARUCO_MARKERS = {
    0: (268, 77, 290, 80, 286, 97, 263, 94),
    1: (360, 90, 382, 93, 379, 111, 357, 108),
    2: (211, 106, 233, 109, 228, 127, 205, 123),
    3: (306, 120, 328, 124, 325, 142, 302, 138),
    4: (402, 135, 425, 139, 423, 157, 400, 154),
    5: (247, 152, 271, 155, 267, 174, 242, 171),
    6: (347, 167, 371, 171, 369, 191, 344, 187),
    7: (185, 185, 209, 189, 203, 210, 178, 206),
    8: (288, 201, 313, 206, 309, 227, 284, 223),
    9: (393, 218, 418, 222, 416, 245, 391, 241),
    10: (223, 240, 250, 244, 244, 268, 217, 263),
    11: (333, 258, 359, 262, 356, 286, 329, 282),
    12: (152, 281, 179, 285, 171, 312, 143, 307),
    13: (267, 300, 294, 305, 289, 331, 261, 327),
    14: (383, 319, 410, 324, 408, 351, 380, 347),
    15: (194, 347, 223, 352, 216, 382, 186, 377),
    16: (315, 368, 345, 373, 341, 403, 310, 398),
}

# Transfer of a Gaussian blur of standard deviation s px: half the contrast is left at sqrt(ln 4) / (2 pi s) cycles per
# pixel (analytic); the slanted-edge method of ISO 12233 is defined on this curve.
MTF50_GAUSSIAN = {0.5: 0.3747812502585552, 1.0: 0.1873906251292776, 2.0: 0.0936953125646388}
