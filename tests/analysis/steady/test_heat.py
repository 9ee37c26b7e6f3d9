"""Heat flow and faces by each method, against cases worked out by hand and in closed form."""

import numpy as np
import pytest

from analysis.errors import BadSetup, OutOfRange
from analysis.methods.steady import reduce_steady
from tests.analysis.steady.by_hand import setup, trace

ELECTRICAL = {
    "power": ("heater_power", {"u": 0.4}),
    "hot": ("hot_temperature", {"u": 0.05}),
    "cold": ("cold_temperature", {"u": 0.05}),
}


def value(found, name):
    return found.figures[name].value


def test_impedance_is_rise_times_area_over_heat():
    # 6.40 K, 645.16 mm2, 80.0 W: 51.6128 mm2 K/W, by arithmetic.
    rig = setup({"area": "645.16 mm^2"}, ELECTRICAL)
    found = reduce_steady(trace({"power [W]": 80.0, "hot [degC]": 46.40, "cold [degC]": 40.0}), rig)
    assert value(found, "thermal_impedance") == pytest.approx(51.6128e-6, rel=1e-9)
    assert value(found, "heat_flux") == pytest.approx(80.0 / 645.16e-6, rel=1e-9)
    # u = hypot(0.05, 0.05) / 6.4 with 0.4 / 80: 1.2134 %
    assert found.figures["thermal_impedance"].u == pytest.approx(
        51.6128e-6 * np.hypot(0.0707107 / 6.4, 0.005), rel=1e-6
    )


def test_the_heater_loses_heat_to_the_room():
    rig = setup(
        {"loss_conductance": {"value": "0.08 W/K", "u": "0.02 W/K"}},
        ELECTRICAL | {"room": ("ambient_temperature", {"u": 0.0})},
    )
    columns = {"power [W]": 150.0, "hot [degC]": 63.0, "cold [degC]": 50.0, "room [degC]": 23.0}
    found = reduce_steady(trace(columns), rig)
    assert value(found, "heat_flow") == pytest.approx(150.0 - 0.08 * 40.0, rel=1e-12)
    assert found.figures["heat_flow"].u == pytest.approx(np.hypot(np.hypot(0.4, 0.02 * 40.0), 0.08 * 0.05), rel=1e-9)


def test_a_room_that_nobody_recorded_is_taken_as_23_degc_and_said_so():
    rig = setup({"loss_conductance": "0.1 W/K"}, ELECTRICAL)
    found = reduce_steady(trace({"power [W]": 150.0, "hot [degC]": 63.0, "cold [degC]": 50.0}), rig)
    assert value(found, "heat_flow") == pytest.approx(150.0 - 0.1 * 40.0, rel=1e-12)
    assert found.figures["heat_flow"].u == pytest.approx(np.hypot(0.4, 0.1 * 3.0), rel=1e-3)
    assert "23 degC" in found.notes["room temperature"]


def test_faces_lie_between_the_sensors():
    # q = 150 kW/m2 over 2 mm of 390 W/(m K): 0.769231 K in each block.
    rig = setup(
        {"block_conductivity": "390 W/(m*K)"},
        {
            "power": ("heater_power", {}),
            "hot": ("hot_temperature", {"depth": "2 mm"}),
            "cold": ("cold_temperature", {"depth": "2 mm"}),
        },
    )
    found = reduce_steady(trace({"power [W]": 150.0, "hot [degC]": 60.0, "cold [degC]": 50.0}), rig)
    drop = 150e3 * 2e-3 / 390.0
    assert value(found, "hot_temperature") == pytest.approx(333.15 - drop, rel=1e-12)
    assert value(found, "cold_temperature") == pytest.approx(323.15 + drop, rel=1e-12)
    assert value(found, "temperature_rise") == pytest.approx(10.0 - 2.0 * drop, rel=1e-12)


def test_voltage_and_current_make_a_power_and_heaters_add_up():
    rig = setup(
        {},
        {
            "u1": ("heater_voltage", {"pair": "1", "u": 0.01}),
            "i1": ("heater_current", {"pair": "1", "u": 0.002}),
            "p2": ("heater_power", {}),
            "hot": ("hot_temperature", {}),
            "cold": ("cold_temperature", {}),
        },
    )
    columns = {"u1 [V]": 24.0, "i1 [A]": 2.5, "p2 [W]": 40.0, "hot [degC]": 46.0, "cold [degC]": 40.0}
    found = reduce_steady(trace(columns), rig)
    assert value(found, "heat_flow") == pytest.approx(100.0, rel=1e-12)
    assert found.figures["heat_flow"].u == pytest.approx(np.hypot(2.5 * 0.01, 24.0 * 0.002), rel=1e-9)


def bar(depths, u=0.02):
    return {f"h{n}": ("hot_temperature", {"depth": f"{d} mm", "u": u}) for n, d in enumerate(depths[0])} | {
        f"c{n}": ("cold_temperature", {"depth": f"{d} mm", "u": u}) for n, d in enumerate(depths[1])
    }


def test_two_sensors_a_bar_give_the_faces_by_extrapolation():
    # ASTM D5470 (kind of test): T_H = T2 - dB/dA (T1 - T2), T_C = T3 + dD/dC (T3 - T4). With 70, 65 | 50, 45 degC at
    # 14, 4 | 4, 14 mm: 63.0 and 52.0 degC, 11.0 K. The cold face is hotter than its nearest sensor.
    rig = setup({"heat_flow": "meter_bar", "block_conductivity": "167 W/(m*K)"}, bar(((14, 4), (4, 14))))
    found = reduce_steady(trace({"h0 [degC]": 70.0, "h1 [degC]": 65.0, "c0 [degC]": 50.0, "c1 [degC]": 45.0}), rig)
    assert value(found, "hot_temperature") == pytest.approx(273.15 + 63.0, abs=1e-9)
    assert value(found, "cold_temperature") == pytest.approx(273.15 + 52.0, abs=1e-9)
    assert value(found, "temperature_rise") == pytest.approx(11.0, abs=1e-9)


def test_a_bar_of_known_conductivity_tells_the_heat():
    # 167 W/(m K), 5 K over 10 mm, 645.16 mm2: 83 500 W/m2, 53.8709 W.
    rig = setup(
        {"heat_flow": "meter_bar", "area": "645.16 mm^2", "block_conductivity": "167 W/(m*K)"}, bar(((14, 4), (4, 14)))
    )
    found = reduce_steady(trace({"h0 [degC]": 70.0, "h1 [degC]": 65.0, "c0 [degC]": 50.0, "c1 [degC]": 45.0}), rig)
    assert value(found, "heat_flux") == pytest.approx(83_500.0, rel=1e-12)
    assert value(found, "heat_flow") == pytest.approx(53.8709, abs=1e-4)


def test_bars_that_disagree_are_weighted_by_what_they_know():
    # Gradients of 500 K/m over 20 mm and 520 K/m over 10 mm: with equal sensors the weights are 4 to 1.
    rig = setup({"heat_flow": "meter_bar", "block_conductivity": "200 W/(m*K)"}, bar(((5, 25), (5, 15))))
    found = reduce_steady(trace({"h0 [degC]": 60.0, "h1 [degC]": 70.0, "c0 [degC]": 50.0, "c1 [degC]": 44.8}), rig)
    assert value(found, "heat_flux") == pytest.approx(200.0 * (0.8 * 500.0 + 0.2 * 520.0), rel=1e-9)


def test_three_sensors_a_bar_agree_with_a_line_fit():
    depths = (3.0, 10.0, 17.0)
    temperatures = (61.02, 64.49, 68.03)
    rig = setup({"heat_flow": "meter_bar", "block_conductivity": "200 W/(m*K)"}, bar((depths, (2.0,))))
    columns = {f"h{n} [degC]": t for n, t in enumerate(temperatures)} | {"c0 [degC]": 50.0}
    found = reduce_steady(trace(columns), rig)
    slope, face = np.polyfit(np.array(depths) * 1e-3, temperatures, 1)
    assert value(found, "heat_flux") == pytest.approx(200.0 * slope, rel=1e-9)
    assert value(found, "hot_temperature") == pytest.approx(273.15 + face, abs=1e-9)
    assert value(found, "cold_temperature") == pytest.approx(273.15 + 50.0 + slope * 2e-3, abs=1e-9)


def test_a_depth_known_to_a_tenth_carries_into_the_faces_and_the_rise():
    # GUM 5.1.2 by hand: T_face = T -+ q z / k, q = 150 kW/m2, k = 390 W/(m K), u(z) = 0.1 mm: 0.1e-3 * 150e3 / 390
    # = 0.0384615 K a face; two sensors, two depths: sqrt(2) times that in the rise.
    deep = {"depth": "2 mm", "depth_uncertainty": "0.1 mm"}
    rig = setup(
        {"block_conductivity": "390 W/(m*K)"},
        {"power": ("heater_power", {}), "hot": ("hot_temperature", deep), "cold": ("cold_temperature", deep)},
    )
    found = reduce_steady(trace({"power [W]": 150.0, "hot [degC]": 60.0, "cold [degC]": 50.0}), rig)
    assert found.figures["hot_temperature"].u == pytest.approx(0.1e-3 * 150e3 / 390.0, rel=1e-6)
    assert found.figures["temperature_rise"].u == pytest.approx(np.sqrt(2.0) * 0.1e-3 * 150e3 / 390.0, rel=1e-6)
    lines = [line for line in found.budget["temperature_rise"] if line.source == "depth"]
    assert [line.share for line in lines] == pytest.approx([0.5, 0.5], rel=1e-6)
    assert len({line.common for line in lines}) == 2  # each sensor has a depth of its own, the same in every run


def test_depths_of_a_meter_bar_carry_into_its_gradient_and_its_faces():
    # Two sensors at 14 and 4 mm read 70 and 65 degC: b = 500 K/m, T_face = T2 - (T1 - T2) z2 / (z1 - z2).
    # dT_face/dz1 = b z2 / (z1 - z2) = 200 K/m, dT_face/dz2 = -b z1 / (z1 - z2) = -700 K/m; db/dz = -+ b / (z1 - z2).
    # With u(z) = 0.05 mm: u(T_face) = 0.05e-3 sqrt(200^2 + 700^2) = 0.0364005 K a face, and
    # u(b) / b = 0.05 sqrt(2) / 10 = 0.70711 % a bar, less by sqrt(2) for the mean of both.
    channels = bar(((14, 4), (4, 14)), u=0.0)
    channels = {column: (q, more | {"depth_uncertainty": "0.05 mm"}) for column, (q, more) in channels.items()}
    rig = setup({"heat_flow": "meter_bar", "block_conductivity": "167 W/(m*K)"}, channels)
    found = reduce_steady(trace({"h0 [degC]": 70.0, "h1 [degC]": 65.0, "c0 [degC]": 50.0, "c1 [degC]": 45.0}), rig)
    assert value(found, "hot_temperature") == pytest.approx(273.15 + 63.0, abs=1e-9)
    assert found.figures["hot_temperature"].u == pytest.approx(0.05e-3 * np.hypot(200.0, 700.0), rel=1e-6)
    assert found.figures["temperature_rise"].u == pytest.approx(np.sqrt(2.0) * 0.05e-3 * np.hypot(200, 700), rel=1e-6)
    heat = found.figures["heat_flow"]
    assert heat.u / heat.value == pytest.approx(0.005, rel=1e-6)


def test_an_uncertainty_of_a_depth_that_is_not_stated_is_refused():
    with pytest.raises(BadSetup, match="depth_uncertainty"):
        setup({}, {"hot": ("hot_temperature", {"depth_uncertainty": "0.1 mm"})})


COOLANT = {
    "in": ("coolant_in", {"u": 0.0}),
    "out": ("coolant_out", {"u": 0.0}),
    "flow": ("coolant_flow", {"u": 0.0}),
    "hot": ("hot_temperature", {}),
    "cold": ("cold_temperature", {}),
}


def test_coolant_heat_takes_density_at_the_inlet_and_enthalpy_at_both():
    # IAPWS-95 by CoolProp: rho(20 degC) = 998.2072 kg/m3, h(30) - h(20) = 41 815.21 J/kg; 1 L/min carries 695.67 W.
    rig = setup({"heat_flow": "coolant"}, COOLANT)
    columns = {"in [degC]": 20.0, "out [degC]": 30.0, "flow [L/min]": 1.0, "hot [degC]": 60.0, "cold [degC]": 50.0}
    found = reduce_steady(trace(columns), rig)
    assert value(found, "heat_flow") == pytest.approx(998.2072 / 60_000.0 * 41_815.21, rel=1e-6)
    # Density at the outlet would give 0.26 % less.
    assert value(found, "heat_flow") > 1.002 * 995.6495 / 60_000.0 * 41_815.21


def test_coolant_heat_has_its_known_value():
    # 1.000 L/min, 2.000 K about 25 degC, all at 25 degC: 138.966 W; the inlet is denser by 0.02 %.
    rig = setup({"heat_flow": "coolant"}, COOLANT)
    columns = {"in [degC]": 24.0, "out [degC]": 26.0, "flow [L/min]": 1.0, "hot [degC]": 60.0, "cold [degC]": 50.0}
    assert value(reduce_steady(trace(columns), rig), "coolant_heat_flow") == pytest.approx(138.966, rel=4e-4)


def test_the_balance_is_the_difference_over_the_mean():
    rig = setup({}, ELECTRICAL | {name: COOLANT[name] for name in ("in", "out", "flow")})
    columns = {"power [W]": 150.0, "in [degC]": 24.0, "out [degC]": 26.0, "flow [L/min]": 1.0}
    found = reduce_steady(trace(columns | {"hot [degC]": 60.0, "cold [degC]": 50.0}), rig)
    coolant = value(found, "coolant_heat_flow")
    assert value(found, "heat_balance") == pytest.approx((150.0 - coolant) / (0.5 * (150.0 + coolant)), rel=1e-9)


@pytest.mark.parametrize(
    ("method", "missing"),
    [
        ("electrical", "heater_power"),
        ("electrical", "hot_temperature"),
        ("electrical", "cold_temperature"),
        ("coolant", "coolant_in"),
        ("coolant", "coolant_out"),
        ("coolant", "coolant_flow"),
        ("meter_bar", "hot_temperature"),
    ],
)
def test_a_method_without_what_it_needs_names_it(method, missing):
    channels = ELECTRICAL | COOLANT | bar(((4, 14), (4, 14)))
    kept = {column: entry for column, entry in channels.items() if entry[0] != missing}
    with pytest.raises(BadSetup, match=missing):
        reduce_steady(
            trace({f"{column} [1]": 1.0 for column in kept}),
            setup({"heat_flow": method, "block_conductivity": "200 W/(m*K)"}, kept),
        )


def test_a_bar_with_sensors_at_one_depth_only_is_refused():
    with pytest.raises(BadSetup, match="depth"):
        reduce_steady(
            trace({"h0 [degC]": 60.0, "c0 [degC]": 50.0}),
            setup({"heat_flow": "meter_bar", "block_conductivity": "200 W/(m*K)"}, bar(((4,), (4,)))),
        )


def test_a_hot_temperature_that_was_never_recorded_is_an_error_that_names_it():
    with pytest.raises(BadSetup, match="hot_temperature"):
        reduce_steady(trace({"power [W]": 80.0, "hot [degC]": np.nan, "cold [degC]": 40.0}), setup({}, ELECTRICAL))


def test_a_coolant_rig_whose_coolant_boils_is_out_of_range():
    columns = {"in [degC]": 20.0, "out [degC]": 105.0, "flow [L/min]": 1.0, "hot [degC]": 60.0, "cold [degC]": 50.0}
    with pytest.raises(OutOfRange, match="105"):
        reduce_steady(trace(columns), setup({"heat_flow": "coolant"}, COOLANT))


def test_a_coolant_rig_needs_no_heater_power():
    columns = {"in [degC]": 20.0, "out [degC]": 30.0, "flow [L/min]": 1.0, "hot [degC]": 60.0, "cold [degC]": 50.0}
    found = reduce_steady(trace(columns, noise=0.001), setup({"heat_flow": "coolant"}, COOLANT))
    assert found.settled.found
    assert "heat_balance" not in found.figures
