"""Knee angles of Eliasziw et al. 1994, Phys Ther 74:777, table 1, degrees.

29 people, two goniometers, three readings each, in the order of the table.
"""

import numpy as np
import pandas as pd

UNIVERSAL = np.array(
    [
        [-2, 0, 1],
        [16, 16, 15],
        [5, 6, 6],
        [11, 10, 10],
        [7, 8, 6],
        [-7, -8, -8],
        [18, 19, 19],
        [4, 5, 5],
        [0, -3, -2],
        [0, 0, -2],
        [-3, -2, -2],
        [3, -1, 1],
        [7, 9, 9],
        [-6, -7, -6],
        [1, 1, 0],
        [-13, -14, -14],
        [2, 1, 0],
        [4, 4, 3],
        [-10, -9, -10],
        [8, 9, 8],
        [7, 6, 7],
        [-3, -2, -4],
        [-5, -5, -7],
        [5, 5, 5],
        [0, -1, -1],
        [7, 6, 6],
        [-8, -8, -8],
        [1, 1, 2],
        [-3, -3, -3],
    ]
)
ELECTRO = np.array(
    [
        [2, 1, 1],
        [12, 14, 13],
        [4, 4, 4],
        [9, 7, 8],
        [5, 6, 6],
        [-9, -10, -9],
        [17, 17, 17],
        [5, 5, 5],
        [-7, -6, -5],
        [1, 2, 1],
        [-4, -3, -3],
        [-1, -2, 1],
        [4, 4, 2],
        [-8, -10, -9],
        [-2, -2, -3],
        [-12, -12, -12],
        [-1, 0, 0],
        [7, 6, 4],
        [-10, -11, -10],
        [2, 8, 8],
        [8, 7, 7],
        [-5, -5, -5],
        [-6, -8, -7],
        [3, 4, 4],
        [-4, -3, -4],
        [4, 4, 4],
        [-10, -11, -10],
        [1, -1, 0],
        [-5, -4, -5],
    ]
)


def knee_readings() -> pd.DataFrame:
    """One row per reading: client, rater (the goniometer), trial, value."""
    parts = []
    for rater, table in (("universal", UNIVERSAL), ("electrogoniometer", ELECTRO)):
        client, trial = (index.ravel() for index in np.indices(table.shape))
        parts.append(
            pd.DataFrame(
                {
                    "client": client + 1,
                    "rater": rater,
                    "trial": trial + 1,
                    "value": table.ravel().astype(float),
                }
            )
        )
    return pd.concat(parts, ignore_index=True)
