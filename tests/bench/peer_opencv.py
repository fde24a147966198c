"""Both usual measures of sharpness of whole pictures, as a script over OpenCV has them: variance of the Laplacian (Pech-Pacheco et al.
2000) and Tenengrad (Krotkov 1986). One process; the bench starts two, each with half of the files."""
import sys

import cv2

cv2.setNumThreads(1)
for path in sys.argv[1:]:
    luma = cv2.imread(path, cv2.IMREAD_GRAYSCALE)
    if luma is None:
        continue
    laplacian = cv2.Laplacian(luma, cv2.CV_64F).var()
    gx = cv2.Sobel(luma, cv2.CV_64F, 1, 0)
    gy = cv2.Sobel(luma, cv2.CV_64F, 0, 1)
    print(path, laplacian, (gx * gx + gy * gy).mean())
