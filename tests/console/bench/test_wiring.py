"""What the wires do, against plain physics; the source is named at each fact."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench import circuit
from console.bench.wiring import (
    INPUT_HIGH_V,
    INPUT_LOW_V,
    Adapter,
    Fitted,
    Joint,
    Level,
    Source,
    Stuck,
    Wiring,
    board_hears,
    host_hears,
)

GOOD = Wiring()
HOST, BOARD = frozenset({Source.HOST}), frozenset({Source.BOARD})
NOBODY: frozenset[Source] = frozenset()


def test_crossed_wires_carry_both_directions_and_idle_high() -> None:
    # Rohde & Schwarz, "Understanding UART": idle is high; TX goes to RX
    assert (host_hears(GOOD).sources, host_hears(GOOD).level) == (BOARD, Level.HIGH)
    assert (board_hears(GOOD).sources, board_hears(GOOD).level) == (HOST, Level.HIGH)


def test_uncrossed_wires_are_silent_both_ways_and_nothing_comes_back() -> None:
    # two inputs joined have no driver; the host's own bytes do not come back (derived from the circuit)
    wiring = replace(GOOD, crossed=False)
    assert host_hears(wiring).sources == board_hears(wiring).sources == NOBODY
    assert host_hears(wiring).level is Level.HIGH  # pull-ups
    assert host_hears(replace(wiring, adapter_pull_up=False)).level is Level.HIGH  # the chip's own


def test_an_unpowered_board_clamps_the_line_low() -> None:
    # TI, "Back powering": protection diodes lead from the pin to the dead rail
    heard = host_hears(replace(GOOD, powered=False))
    assert (heard.sources, heard.level) == (NOBODY, Level.LOW)


def test_an_open_joint_leaves_the_pull_up_or_nothing() -> None:
    # an open in series is a floating input on the far side (derived from the circuit)
    open_tx = replace(GOOD, tx_joint=Joint.OPEN)
    assert (host_hears(open_tx).sources, host_hears(open_tx).level) == (NOBODY, Level.HIGH)
    assert host_hears(replace(open_tx, adapter_pull_up=False)).level is Level.FLOATING
    assert board_hears(open_tx).sources == HOST
    open_rx = replace(GOOD, rx_joint=Joint.OPEN)
    assert board_hears(open_rx).sources == NOBODY
    assert host_hears(open_rx).sources == BOARD


@pytest.mark.parametrize("stuck", [Stuck.LOW, Stuck.HIGH])
def test_a_short_to_ground_or_rail_silences_its_own_line_only(stuck: Stuck) -> None:
    level = Level.LOW if stuck is Stuck.LOW else Level.HIGH
    tx = replace(GOOD, tx_stuck=stuck)
    assert (host_hears(tx).sources, host_hears(tx).level) == (NOBODY, level)
    assert board_hears(tx).sources == HOST
    rx = replace(GOOD, rx_stuck=stuck)
    assert (board_hears(rx).sources, board_hears(rx).level) == (NOBODY, level)
    assert host_hears(rx).sources == BOARD


def test_a_bridge_echoes_the_host_and_hides_the_board_behind_its_resistor() -> None:
    # the adapter's output meets the board's through the series resistor: the stronger wins (common practice, no source)
    wiring = replace(GOOD, bridged=True)
    assert host_hears(wiring).sources == HOST
    assert board_hears(wiring).sources == HOST


def test_a_loop_back_at_the_adapter_echoes_whatever_the_board_is() -> None:
    wiring = Wiring(loop_back=True, powered=False, ground=False, crossed=False)
    assert host_hears(wiring).sources == HOST
    assert host_hears(wiring).reliable
    assert board_hears(wiring).sources == NOBODY


def test_without_ground_nothing_is_reliable() -> None:
    # a receiver needs the reference the sender drives against (derived from the circuit)
    assert not host_hears(replace(GOOD, ground=False)).reliable
    assert not board_hears(replace(GOOD, ground=False)).reliable


def test_an_intermittent_joint_is_told_on_its_own_line() -> None:
    wiring = replace(GOOD, tx_joint=Joint.INTERMITTENT)
    assert host_hears(wiring).intermittent
    assert not board_hears(wiring).intermittent
    assert board_hears(replace(GOOD, rx_joint=Joint.INTERMITTENT)).intermittent


KINDS = {
    "adapter": st.sampled_from(Adapter),
    "chip": st.sampled_from(Fitted),
    "tx_joint": st.sampled_from(Joint),
    "rx_joint": st.sampled_from(Joint),
    "tx_stuck": st.sampled_from(Stuck),
    "rx_stuck": st.sampled_from(Stuck),
    "board_v": st.just(3.3),
    "adapter_v": st.just(3.3),
}
WIRINGS = st.builds(Wiring, **{field.name: KINDS.get(field.name, st.booleans()) for field in fields(Wiring)})


@given(WIRINGS)
def test_laws_that_hold_for_every_wiring(wiring: Wiring) -> None:
    host, board = host_hears(wiring), board_hears(wiring)
    if not wiring.runs:
        assert Source.BOARD not in host.sources | board.sources
    for heard in (host, board):
        if heard.level is not Level.HIGH:
            assert not heard.sources  # whoever is heard idles high
    mirrored = replace(wiring, crossed=not wiring.crossed)
    if wiring.bridged:  # crossed or not is the same once the pads are joined
        assert (host_hears(mirrored), board_hears(mirrored)) == (host, board)


@given(WIRINGS.filter(lambda wiring: wiring.ground and wiring.attached and not wiring.loop_back))
def test_the_rules_and_the_circuit_agree(wiring: Wiring) -> None:
    # two ways to the same level: rules of thumb in `wiring`, Kirchhoff's laws in `circuit`; input levels of JESD8C
    volts = circuit.volts(wiring)
    ends = [(host_hears(wiring), circuit.ADAPTER_RX)] if wiring.adapter is Adapter.GOOD else []
    ends += [(board_hears(wiring), circuit.PIN_RX)] if wiring.runs else []
    for heard, place in ends:
        at = volts.get(place, 0.0)
        if heard.level is Level.HIGH:
            assert at >= INPUT_HIGH_V, place
        elif heard.level is Level.LOW:
            assert at <= INPUT_LOW_V, place


def test_a_chip_that_does_not_run_drives_nothing() -> None:
    # a chip without clock or life never switches its outputs on; a pull-up keeps the line at idle (derived)
    for wiring in (replace(GOOD, chip=Fitted.DEAD), replace(GOOD, chip=Fitted.MISSING), replace(GOOD, clocked=False)):
        assert (host_hears(wiring).sources, host_hears(wiring).level) == (NOBODY, Level.HIGH)
    # a missing chip has no diodes to clamp with, an unpowered one has
    assert host_hears(replace(GOOD, chip=Fitted.MISSING, powered=False)).level is Level.HIGH
    assert host_hears(replace(GOOD, chip=Fitted.DEAD, powered=False)).level is Level.LOW


def test_a_high_below_the_threshold_is_read_only_now_and_then() -> None:
    # JESD8C: an input of 3.3 V logic reads high from 2.0 V; JESD8-7A: one of 1.8 V logic from 0.65 of its supply
    assert host_hears(replace(GOOD, board_v=1.8)).marginal
    assert not host_hears(replace(GOOD, board_v=2.5)).marginal
    assert not host_hears(replace(GOOD, board_v=1.8, adapter_v=1.8)).marginal


def test_without_adapter_or_on_another_port_nothing_comes_and_nothing_arrives() -> None:
    for wiring in (replace(GOOD, adapter=Adapter.DEAD), replace(GOOD, attached=False)):
        assert host_hears(wiring).sources == board_hears(wiring).sources == NOBODY
        assert host_hears(replace(wiring, loop_back=True)).sources == NOBODY


@pytest.mark.parametrize("bridged", [False, True])
def test_without_the_board_nothing_is_heard_and_the_pull_up_holds_the_line(bridged: bool) -> None:
    # an idle line is high (Rohde & Schwarz, "Understanding UART"); a bridge on the board went with the board
    wiring = Wiring(connected=False, bridged=bridged, powered=False)
    heard = host_hears(wiring)
    assert (heard.sources, heard.level) == (frozenset(), Level.HIGH)
    assert Source.HOST not in board_hears(wiring).sources
