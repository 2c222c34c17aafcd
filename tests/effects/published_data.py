"""Published measurements that several tests lean on, as their sources print them.

Sources
-------
Anorexia: Hand, D. J. et al. (1993), A Handbook of Small Data Sets, set 285 (weights, lb).
Sleep: Student (1908), The probable error of a mean, Biometrika 6, 1-25 (hours gained by two drugs).
Peas: Yates, F. (1937), The Design and Analysis of Factorial Experiments (N, P, K in six blocks).
Dried plants: Dobson, A. J. (1983), An Introduction to Statistical Modelling (weights).
Oats: Yates, F. (1935), Complex experiments (varieties on whole plots, nitrogen within them).
Teeth: Bliss, C. I. (1952), The Statistics of Bioassay (length by dose and kind of vitamin C).
Yarn: Tippett, L. H. C. (1950), Technological Applications of Statistics (breaks of wool).
"""

import numpy as np

_ANOREXIA = {
    "control": """80.7/80.2 89.4/80.1 91.8/86.4 74/86.3 78.1/76.1 88.3/78.1 87.3/75.1 75.1/86.7
    80.6/73.5 78.4/84.6 77.6/77.4 88.7/79.5 81.3/89.6 78.1/81.4 70.5/81.8 77.3/77.3 85.2/84.2
    86/75.4 84.1/79.5 79.7/73 85.5/88.3 84.4/84.7 79.6/81.4 77.5/81.2 72.3/88.2 89/78.8""",
    "cognitive": """80.5/82.2 84.9/85.6 81.5/81.4 82.6/81.9 79.9/76.4 88.7/103.6 94.9/98.4 76.3/93.4
    81/73.4 80.5/82.1 85/96.7 89.2/95.3 81.3/82.4 76.5/72.5 70/90.9 80.4/71.3 83.3/85.4 83/81.6
    87.7/89.1 84.2/83.9 86.4/82.7 76.5/75.7 80.2/82.6 87.8/100.4 83.3/85.2 79.7/83.6 84.5/84.6
    80.8/96.2 87.4/86.7""",
    "family": """83.8/95.2 83.3/94.3 86/91.5 82.5/91.9 86.7/100.3 79.6/76.7 76.9/76.8 94.2/101.6
    73.4/94.9 80.5/75.2 81.6/77.8 82.1/95.5 77.6/90.7 83.5/92.5 89.9/93.8 86/91.7 87.3/98""",
}
ANOREXIA = {
    name: np.array([[float(v) for v in pair.split("/")] for pair in text.split()])
    for name, text in _ANOREXIA.items()
}
"""Treatment -> weight before and after, shape ``(n, 2)``."""

SLEEP = (
    np.array([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]),
    np.array([1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]),
)

_PEAS = """1 011 49.5/1 110 62.8/1 000 46.8/1 101 57/2 100 59.8/2 111 58.5/2 001 55.5/2 010 56/
3 010 62.8/3 111 55.8/3 100 69.5/3 001 55/4 100 62/4 111 48.8/4 001 45.5/4 010 44.2/
5 110 52/5 000 51.5/5 101 49.8/5 011 48.8/6 101 57.2/6 110 59/6 011 53.2/6 000 56"""
PEAS = [
    (block, bool(int(npk[0])), bool(int(npk[1])), float(value))
    for block, npk, value in (row.split() for row in _PEAS.split("/"))
]
"""Block, nitrogen, phosphate, yield."""

DRIED = {
    "control": [4.17, 5.58, 5.18, 6.11, 4.5, 4.61, 5.17, 4.53, 5.33, 5.14],
    "second": [6.31, 5.12, 5.54, 5.5, 5.37, 5.29, 4.92, 6.15, 5.8, 5.26],
}

_OATS = """
117 114 161 141 105 140 118 156 111 130 157 174 70 108 126 149 96 124 121 144 61 91 97 100
60 102 89 96 89 129 132 124 68 64 112 86 64 103 132 133 70 89 104 117 74 89 81 122 80 82 94 126
63 70 109 99 62 90 100 116 89 82 86 104 97 99 119 121 53 74 118 113"""
OATS = np.array([float(v) for v in _OATS.split()]).reshape(6, 3, 4)
"""Yield by block, variety (Golden Rain, Marvellous, Victory) and nitrogen (0, 0.2, 0.4, 0.6)."""

TEETH = {
    ("OJ", 0.5): [15.2, 21.5, 17.6, 9.7, 14.5, 10, 8.2, 9.4, 16.5, 9.7],
    ("OJ", 1.0): [19.7, 23.3, 23.6, 26.4, 20, 25.2, 25.8, 21.2, 14.5, 27.3],
    ("OJ", 2.0): [25.5, 26.4, 22.4, 24.5, 24.8, 30.9, 26.4, 27.3, 29.4, 23],
    ("VC", 0.5): [4.2, 11.5, 7.3, 5.8, 6.4, 10, 11.2, 11.2, 5.2, 7],
    ("VC", 1.0): [16.5, 16.5, 15.2, 17.3, 22.5, 17.3, 13.6, 14.5, 18.8, 15.5],
    ("VC", 2.0): [23.6, 18.5, 33.9, 25.5, 26.4, 32.5, 26.7, 21.5, 23.3, 29.5],
}
YARN = {
    ("A", "L"): [26, 30, 54, 25, 70, 52, 51, 26, 67],
    ("A", "M"): [18, 21, 29, 17, 12, 18, 35, 30, 36],
    ("A", "H"): [36, 21, 24, 18, 10, 43, 28, 15, 26],
    ("B", "L"): [27, 14, 29, 19, 29, 31, 41, 20, 44],
    ("B", "M"): [42, 26, 19, 16, 39, 28, 21, 39, 29],
    ("B", "H"): [20, 21, 24, 17, 13, 15, 15, 16, 28],
}
