"""Published data of the cases, each with its source; nothing here is a result of the project."""

from __future__ import annotations

Groups = tuple[tuple[float, ...], ...]

# NIST StRD, Norris.dat: response, predictor
NORRIS: Groups = (
    (0.1, 0.2),
    (338.8, 337.4),
    (118.1, 118.2),
    (888.0, 884.6),
    (9.2, 10.1),
    (228.1, 226.5),
    (668.5, 666.3),
    (998.5, 996.3),
    (449.1, 448.6),
    (778.9, 777.0),
    (559.2, 558.2),
    (0.3, 0.4),
    (0.1, 0.6),
    (778.1, 775.5),
    (668.8, 666.9),
    (339.3, 338.0),
    (448.9, 447.5),
    (10.8, 11.6),
    (557.7, 556.0),
    (228.3, 228.1),
    (998.0, 995.8),
    (888.8, 887.6),
    (119.6, 120.2),
    (0.3, 0.3),
    (0.6, 0.3),
    (557.6, 556.8),
    (339.3, 339.1),
    (888.0, 887.2),
    (998.5, 999.0),
    (778.9, 779.0),
    (10.2, 11.1),
    (117.6, 118.3),
    (228.9, 229.2),
    (668.4, 669.1),
    (449.2, 448.9),
    (0.2, 0.5),
)

# NIST StRD, SiRstv.dat: resistance by instrument
SIRSTV: Groups = (
    (196.3052, 196.124, 196.189, 196.2569, 196.3403),
    (196.3042, 196.3825, 196.1669, 196.3257, 196.0422),
    (196.1303, 196.2005, 196.2889, 196.0343, 196.1811),
    (196.2795, 196.1748, 196.1494, 196.1485, 195.9885),
    (196.2119, 196.1051, 196.185, 196.0052, 196.209),
)

# NIST StRD, AtmWtAg.dat: atomic weight of silver by instrument
ATMWTAG: Groups = (
    (
        107.8681568,
        107.8681465,
        107.8681572,
        107.8681785,
        107.8681446,
        107.8681903,
        107.8681526,
        107.8681494,
        107.8681616,
        107.8681587,
        107.8681519,
        107.8681486,
        107.8681419,
        107.8681569,
        107.8681508,
        107.8681672,
        107.8681385,
        107.8681518,
        107.8681662,
        107.8681424,
        107.868136,
        107.8681333,
        107.868161,
        107.8681477,
    ),
    (
        107.8681079,
        107.8681344,
        107.8681513,
        107.8681197,
        107.8681604,
        107.8681385,
        107.8681642,
        107.8681365,
        107.8681151,
        107.8681082,
        107.8681517,
        107.8681448,
        107.8681198,
        107.8681482,
        107.8681334,
        107.8681609,
        107.8681101,
        107.8681512,
        107.8681469,
        107.868136,
        107.8681254,
        107.8681261,
        107.868145,
        107.8681368,
    ),
)

# NIST e-Handbook of Statistical Methods, 7.4.7.1
HANDBOOK_GROUPS: Groups = (
    (6.9, 5.4, 5.8, 4.6, 4.0),
    (8.3, 6.8, 7.8, 9.2, 6.5),
    (8.0, 10.5, 8.1, 6.9, 9.3),
    (5.8, 3.8, 6.1, 5.6, 6.2),
)

# C. W. Dunnett, J. Am. Statist. Assoc. 50 (1955) 1096: blood counts of a control and two drugs
BLOOD_COUNTS: Groups = (
    (7.40, 8.50, 7.20, 8.24, 9.84, 8.32),
    (9.76, 8.80, 7.68, 9.36),
    (12.80, 9.68, 12.16, 9.20, 10.55),
)

# ASTM E691, glucose in serum, levels A and C: laboratories by results [mg/dL]
GLUCOSE_A: Groups = (
    (41.03, 41.45, 41.37), (41.17, 42.00, 41.15), (41.01, 40.68, 42.66), (39.37, 42.37, 42.63),
    (41.88, 41.19, 41.32), (43.28, 40.50, 42.28), (41.08, 41.27, 39.02), (43.36, 42.65, 41.72),
)  # fmt: skip
GLUCOSE_C: Groups = (
    (132.66, 133.83, 133.10), (132.92, 136.90, 136.40), (132.61, 135.80, 135.36), (138.50, 148.30, 135.69),
    (131.90, 134.14, 133.76), (137.21, 135.14, 137.50), (130.97, 131.59, 134.92), (135.46, 135.14, 133.53),
)  # fmt: skip


def simon_lesage(constant: float) -> Groups:
    """NIST StRD, SmLs01 to SmLs09: nine treatments of 21 values about a constant leading number. [1]

    Each treatment is its level, then level - 0.1 and level + 0.1 in turn; the levels are 0.4 for the first and 0.3,
    0.5 in turn for the others, above `constant` (1, 1e6 or 1e12).

    1. S. D. Simon, J. P. Lesage, J. Stat. Comput. Simul. 35 (1990) 197.
    """
    tenths = [4] + [3 if number % 2 else 5 for number in range(1, 9)]
    rows = [[level] + [level - 1 if place % 2 else level + 1 for place in range(1, 21)] for level in tenths]
    return tuple(tuple(constant + tenth / 10.0 for tenth in row) for row in rows)
