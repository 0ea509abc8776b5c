"""What trials of the tool showed, each with the test that would have caught it.

S: wrong on the unsafe side, or silent where it hurts. M: misleading results. B: breaks where one line is due. The files in
``tests/trials`` reproduce them; every bank there is invented.
"""

# ---- protection: S1, S2, S3, S8, S11, S15 ----


# ---- shorted cells, stuck switches, overcharge: S4, S5 ----


# ---- banks that should not be: S6, S10, S12, S14 ----


# ---- sizes, chargers, inverters: S7, S9, S13 ----


# ---- results that can be trusted later: M1, M2, M4 to M10 ----


# ---- the integrators: M3, M11 to M14, B5, B10 ----


# ---- one line, never a traceback: B1 to B4, B6 to B9, B11, B12 ----
