"""The parts of a steady-state reduction: blocks of rows, settling, heat flow, gap, figures, checks.

Other methods may use them; `analysis.methods.steady` puts them together.
"""
