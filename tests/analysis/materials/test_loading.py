"""Loading against closed forms: for one filler in one fluid the bounds are those of Hashin and Shtrikman (1962)."""

import numpy as np
import pytest

from analysis.errors import AnalysisError
from analysis.materials.bond_line import bond_line
from analysis.materials.loading import loading_of


def test_one_filler_in_one_fluid_lies_on_the_closed_bounds() -> None:
    # k_m + phi / (1/(k_f - k_m) + (1 - phi)/(3 k_m)), and the same with the two changed over
    found = loading_of([0.2, 30.0], fractions=[0.5, 0.5], fluid=[True, False])
    phi = found.fractions
    assert phi[-1] == 0.64
    np.testing.assert_allclose(found.low, 0.2 + phi / (1 / 29.8 + (1 - phi) / 0.6), rtol=1e-12)
    np.testing.assert_allclose(found.high, 30 + (1 - phi) / (1 / -29.8 + phi / 90), rtol=1e-9)
    assert found.most is None


def test_two_fillers_keep_their_shares_and_a_loading_above_the_limit_is_shown() -> None:
    found = loading_of([0.2, 30.0, 30.0], fractions=[0.3, 0.5, 0.2], fluid=[True, False, False])
    assert found.present == pytest.approx(0.7)
    assert found.fractions[-1] == pytest.approx(0.7)
    alone = loading_of([0.2, 30.0], fractions=[0.3, 0.7], fluid=[True, False])
    np.testing.assert_allclose(found.low, alone.low, rtol=1e-9)


def test_the_impedance_is_the_bond_line_over_the_conductivity() -> None:
    # the scaling law's 41.617 um for 100 Pa at 100 kPa, see test_bond_line
    line = bond_line(100.0, pressure=1e5, largest=20e-6)
    found = loading_of([0.2, 30.0], fractions=[0.5, 0.5], fluid=[True, False], bond_line=line)
    assert found.most is not None
    assert found.most[0] == pytest.approx(41.617e-6 / 0.2, rel=1e-4)


def test_without_a_filler_there_is_no_loading() -> None:
    with pytest.raises(AnalysisError, match="a filler and a fluid are expected"):
        loading_of([0.2], fractions=[1.0], fluid=[True])
