"""Word letters as slots and bits, A = 0, and sets of them."""

E, F, G, I, J, K, M, N, P, R, S, T, W, X, Y, Z = 4, 5, 6, 8, 9, 10, 12, 13, 15, 17, 18, 19, 22, 23, 24, 25
AXES = (1 << X) | (1 << Y) | (1 << Z)
XYZE = AXES | (1 << E)
COMMANDS = (1 << G) | (1 << M) | (1 << T)
MOTION_WORDS = XYZE | (1 << I) | (1 << J) | (1 << K) | (1 << R) | (1 << F)
ARC_WORDS = MOTION_WORDS & ~(1 << F)
# Axes that no printer here has, or its extruder on another letter: A, B, C, U, V, W.
OTHER_AXES = 0b111 | (1 << 20) | (1 << 21) | (1 << W)
# Letters that the standard lacks (O, U, V, W; NISTIR 6556, Table 3) and axes that no printer here has (A, B, C).
NO_LETTERS = (1 << 14) | (1 << 20) | (1 << 21) | (1 << 22) | 0b111
