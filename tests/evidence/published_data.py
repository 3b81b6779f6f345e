"""Data that papers print with their worked examples, as numbers.

Every table is transcribed from the source named beside it. Data that packages carry are loaded
from there by `outside_checks`.
"""

from __future__ import annotations

import numpy as np

#: Shrout & Fleiss 1979, table 2: six targets, four judges.
JUDGES = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7.0]]
)
#: Weir 2005, data set A: eight people, two trials.
WEIR = np.array(
    [[146, 148, 170, 90, 157, 156, 176, 205], [140, 152, 152, 99, 145, 153, 167, 218.0]]
).T
#: Bland & Altman 1986, table 1: peak flow, first reading by each of two meters, l/min.
PEAK_FLOW = (
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
)
#: Zou 2013: cardiac output, clients with unequal replicates; per client the readings by each
#: method, not in pairs.
CARDIAC_OUTPUT = {
    1: ([7.83, 7.42, 7.89, 7.12, 7.88], [6.57, 5.62, 6.9, 6.57]),
    2: ([6.16, 7.26, 6.71, 6.54], [4.06, 4.29, 4.26]),
    3: ([4.75, 5.24, 4.86, 4.78, 6.05, 5.42], [4.71, 5.5, 5.08, 5.02, 6.01, 5.67]),
    4: ([4.21, 3.61, 3.72, 3.87, 3.92], [4.14, 4.2, 4.61, 4.68, 5.04]),
}
#: Lakens 2013, table 1: ten films, rated.
FILMS = (
    [9.0, 7, 8, 9, 8, 9, 9, 10, 9, 9],
    [9.0, 6, 7, 8, 7, 9, 8, 8, 8, 7],
)
#: Hanley & McNeil 1982: ratings 1 to 5, counts among normal and abnormal images.
IMAGES = ([33, 6, 6, 11, 2], [3, 2, 2, 11, 33])
#: Morris 2008, table 5, five studies: start mean, latest mean, start SD, n.
MORRIS_TREATED = (
    [30.6, 23.5, 0.5, 53.4, 35.6],
    [38.5, 26.8, 0.7, 75.9, 36.0],
    [15.0, 3.1, 0.1, 14.5, 4.7],
    [20, 50, 9, 10, 14],
)
MORRIS_CONTROL = (
    [23.1, 24.9, 0.6, 55.7, 34.8],
    [19.7, 25.3, 0.6, 60.7, 33.4],
    [13.8, 4.1, 0.2, 17.3, 3.1],
    [20, 42, 9, 11, 14],
)
#: NIST/SEMATECH e-Handbook 6.3.2.2: ten flow readings; 6.3.3.2: defective wafers among 50.
FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
DEFECTIVE = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22]
DEFECTIVE += [8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]

#: Finkelstein & Wolfe 1985: months until the breast's look deteriorates, (last seen well, first
#: seen worse); "-" was still well when last seen. Radiotherapy alone, then with chemotherapy.
COSMESIS_ALONE = """45- 6,10 0,7 46- 46- 7,16 17- 7,14 37,44 0,8 4,11 15- 11,15 22- 46- 46- 25,37
46- 26,40 46- 27,34 36,44 46- 36,48 37- 40- 17,25 46- 11,18 38- 5,12 37- 0,5 18- 24- 36- 5,11
19,35 17,25 24- 32- 33- 19,26 37- 34- 36-"""
COSMESIS_BOTH = """8,12 0,22 24,31 17,27 17,23 24,30 16,24 13- 11,13 16,20 18,25 17,26 32- 23-
44,48 14,17 0,5 5,8 12,20 11- 33,40 31- 13,39 19,32 34- 13- 16,24 35- 15,22 11,17 22,32 10,35
30,34 13- 10,17 8,21 4,9 11- 14,19 4,8 34- 30,36 18,24 16,60 35,39 21- 11,20 48-"""


def intervals(text: str) -> np.ndarray:
    """Read the months as pairs (lower, upper), upper infinite for those still well."""
    return np.array(
        [
            (float(word[:-1]), np.inf) if word.endswith("-") else [*map(float, word.split(","))]
            for word in text.split()
        ]
    )
