"""The meter against worked circuits: Ohm, Kirchhoff, and figures of public notes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.bench import circuit
from console.bench.circuit import Diode, Resistor, solve
from console.bench.wiring import Fitted, Joint, Stuck, Wiring

GOOD = Wiring()


def test_a_divider_divides() -> None:
    # Ohm's law: 10 V over 1 k and 3 k leaves 7.5 V on the 3 k
    found = solve([Resistor("a", "ground", 1e-3, 10.0), Resistor("a", "b", 1000.0), Resistor("b", "ground", 3000.0)])
    assert found["b"] == pytest.approx(7.5, rel=1e-5)


def test_a_balanced_bridge_carries_nothing_across() -> None:
    # Wheatstone: equal ratios leave no voltage across the middle, whatever joins it
    arms = [("top", "l", 100.0), ("l", "ground", 200.0), ("top", "r", 300.0), ("r", "ground", 600.0), ("l", "r", 5.0)]
    found = solve([Resistor("top", "ground", 1e-3, 9.0), *(Resistor(a, b, ohm) for a, b, ohm in arms)])
    assert found["l"] == pytest.approx(found["r"]) == pytest.approx(6.0, rel=1e-4)


def test_a_diode_conducts_one_way() -> None:
    # a silicon diode drops about 0.6 V forward (any textbook) and nothing flows backward
    feed = [Resistor("a", "ground", 1000.0, 3.0), Resistor("b", "ground", 1000.0)]
    assert solve(feed, [Diode("a", "b")])["b"] == pytest.approx(1.2, rel=1e-2)
    assert solve(feed, [Diode("b", "a")])["b"] == pytest.approx(0.0, abs=1e-5)


def test_an_idle_link_is_high_everywhere() -> None:
    # Rohde & Schwarz, "Understanding UART": idle is the high level
    volts = circuit.volts(GOOD)
    for place in (circuit.PIN_TX, circuit.HEADER_TX, circuit.ADAPTER_RX, circuit.PIN_RX, circuit.HEADER_RX):
        assert volts[place] == pytest.approx(3.3, abs=0.05), place


def test_an_unpowered_board_is_fed_through_its_pin() -> None:
    # TI, "Back powering": a driven pin lifts the dead rail through the protection diode, one drop below the pin.
    # With nothing on the rail: 3.3 V - 0.6 V, the 2.6 to 2.8 V of a phantom supply (derived)
    loaded = circuit.volts(replace(GOOD, powered=False))
    assert 0 < loaded[circuit.RAIL] < 0.5
    light = solve(
        [Resistor("pin", "ground", circuit.OUTPUT_OHM, 3.3), Resistor("rail", "ground", 1e6)], [Diode("pin", "rail")]
    )
    assert light["rail"] == pytest.approx(2.7, abs=0.05)


def test_a_fight_of_two_outputs_stands_between_the_levels() -> None:
    # two push-pull outputs of equal strength, one high and one low, meet in the middle (derived)
    found = solve([Resistor("x", "ground", 25.0, 3.3), Resistor("x", "ground", 25.0)])
    assert found["x"] == pytest.approx(1.65, rel=1e-3)


def test_resistances_without_power() -> None:
    assert circuit.ohms(GOOD, circuit.HEADER_TX, circuit.GROUND) == circuit.UNREADABLE_OHM
    bridged = replace(GOOD, bridged=True)
    assert circuit.ohms(bridged, circuit.HEADER_TX, circuit.HEADER_RX) == pytest.approx(circuit.SHORT_OHM, rel=0.01)
    # a short behind the series resistor reads as that resistor
    low = replace(GOOD, tx_stuck=Stuck.LOW)
    assert circuit.ohms(low, circuit.HEADER_TX, circuit.GROUND) == pytest.approx(
        circuit.SERIES_OHM + circuit.SHORT_OHM, rel=0.01
    )


def test_the_diode_test_tells_silicon_from_an_open_joint() -> None:
    # about 0.5 to 0.7 V of a silicon junction (common practice, no source) and the drop over the resistor in series
    shown = circuit.diode_test(GOOD, circuit.HEADER_TX)
    assert shown is not None
    assert 0.5 < shown < 1.1
    assert circuit.diode_test(replace(GOOD, tx_joint=Joint.OPEN), circuit.HEADER_TX) is None
    assert circuit.diode_test(replace(GOOD, chip=Fitted.MISSING), circuit.HEADER_RX) is None


def test_a_limited_supply_shows_the_short_and_the_missing_load() -> None:
    running = circuit.supply_current(GOOD, running=True)
    assert circuit.supply_current(replace(GOOD, powered=False), running=False) == 0
    assert circuit.supply_current(replace(GOOD, supply_shorted=True), running=False) == circuit.SUPPLY_LIMIT_A
    assert 0 < running < circuit.SUPPLY_LIMIT_A
