"""The plug watch's judge: looks over time, one verdict, suspects and steps."""

from __future__ import annotations

from fractions import Fraction
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.catalogue import catalogue
from console.causes.plug import LOOP_TIMES, PATIENCE_S, SETTLES_S, STAYS_S, PlugFold
from console.causes.plug_rank import steps_for, suspects
from console.causes.plug_table import plug_table
from console.text import clean
from console.usb import HUB_CLASS, KernelLine, Look, Tty, UsbDevice

BOARD = UsbDevice("1-2", 5, 0x1209, 1, product="Tern bridge", drivers=("ftdi_sio",), ttys=(Tty("/dev/ttyUSB0"),))
BARE = BOARD._replace(drivers=("",), ttys=())
FAILS = (
    "usb 1-2: new full-speed USB device number 5 using xhci_hcd",
    "usb 1-2: device descriptor read/64, error -71",
    "usb usb1-port2: attempt power cycle",
    "usb 1-2: device not accepting address 6, error -71",
    "usb usb1-port2: unable to enumerate USB device",
)


def look(t_s, *devices, said=(), **more):
    lines = tuple(KernelLine(6, number, 0.0, text) for number, text in enumerate(said))
    return Look(t_s, devices, lines, **more)


def fold_of(*looks, expected=None):
    fold = PlugFold(expected)
    for one in looks:
        fold.add(one)
    return fold


def verdict_of(*looks, expected=None):
    return fold_of(*looks, expected=expected).verdict()


def texts(fold):
    return [event.text for event in fold.events]


def test_before_anything_happens():
    assert PlugFold().verdict().kind == "waiting"
    assert verdict_of(look(0), look(PATIENCE_S - 0.1)).kind == "waiting"
    assert not verdict_of(look(0), look(PATIENCE_S - 0.1)).trouble


def test_nothing_at_all_points_to_a_charge_only_cable_first():
    verdict = verdict_of(look(0), look(PATIENCE_S))
    assert (verdict.kind, verdict.trouble) == ("nothing", True)
    # USB 2.0, 7.1.5.1, from memory: a device is noticed by its pull-up on a data line
    assert verdict.causes[0].id == "cable-charge-only"
    assert verdict.steps[0].id == "other-cable"
    assert verdict.help == verdict.steps[0].title


def test_without_the_kernels_log_nothing_seen_means_less():
    seen = verdict_of(look(0), look(PATIENCE_S))
    blind = verdict_of(look(0, log=False), look(PATIENCE_S, log=False))
    assert "nothing at all" in seen.title
    assert "nothing at all" not in blind.title

    def share(verdict):
        return next(c.probability for c in verdict.causes if c.id == "usb-data-pair")

    assert share(blind) > share(seen)  # noticed and not answered looks the same then


def test_noticed_and_not_answering_is_told_from_nothing():
    fold = fold_of(look(0), look(1, said=FAILS))
    verdict = fold.verdict()
    assert (verdict.kind, verdict.place) == ("not-answering", "1-2")
    assert verdict.causes[0].id == "usb-data-pair"
    assert "cable-charge-only" not in [cause.id for cause in verdict.causes]
    assert any("-71 EPROTO" in text for text in texts(fold))


def test_a_timeout_points_at_the_bridge_and_its_clock():
    verdict = verdict_of(look(0), look(1, said=(FAILS[0], *["usb 1-2: device descriptor read/64, error -110"] * 2)))
    bridge = sum(cause.probability for cause in verdict.causes if cause.id in ("bridge-chip-dead", "bridge-clock-dead"))
    assert bridge > 0.5


def test_a_refusal_clears_the_data_pair():
    verdict = verdict_of(look(0), look(1, said=(FAILS[0], "usb 1-2: device descriptor read/all, error -32")))
    assert verdict.causes[0].id == "bridge-chip-dead"
    assert verdict.causes[0].probability > 0.7


def test_low_speed_and_failing_is_a_swapped_pair():
    low = FAILS[0].replace("full", "low")
    verdict = verdict_of(look(0), look(1, said=(low, FAILS[1])))
    # USB 2.0, 7.1.5.1, from memory: the pull-up on D+ is full speed, on D- low speed
    assert verdict.causes[0].id == "usb-data-pair"
    assert verdict.causes[0].probability > 0.85
    assert verdict.steps[0].id == "look-at-pair"
    assert "low speed" in verdict.title


def test_a_healthy_low_speed_device_is_no_sign_of_anything():
    mouse = UsbDevice("1-3", 7, 0x1209, 2, product="mouse", drivers=("usbhid",))
    verdict = verdict_of(
        look(0),
        look(1, mouse, said=("usb 1-3: new low-speed USB device number 7 using xhci_hcd",)),
        look(1 + STAYS_S, mouse),
    )
    assert verdict.kind == "not-serial"
    assert "usbhid" in verdict.detail


def test_over_current_comes_with_a_caution_and_the_short_first():
    fold = fold_of(look(0), look(1, said=("usb usb1-port2: over-current condition",)))
    verdict = fold.verdict()
    assert verdict.kind == "over-current"
    assert "unplug" in verdict.caution
    assert verdict.causes[0].id == "supply-shorted"
    assert verdict.steps[0].id == "short-check"


def test_a_port_that_stays_is_good_and_not_before():
    coming = [look(0), look(1, BOARD)]
    assert verdict_of(*coming, look(1 + STAYS_S - 0.1, BOARD)).kind == "settling"
    fold = fold_of(*coming, look(1 + STAYS_S, BOARD))
    verdict = fold.verdict()
    assert (verdict.kind, verdict.port, verdict.trouble) == ("good", "/dev/ttyUSB0", False)
    assert texts(fold) == ["Tern bridge (1209:0001) came", "port /dev/ttyUSB0 came"]


def test_a_port_that_comes_after_its_device():
    fold = fold_of(look(0), look(1, BARE), look(1.3, BOARD), look(1 + STAYS_S, BOARD))
    assert fold.verdict().kind == "good"
    assert texts(fold)[1:] == ["port /dev/ttyUSB0 came", "the driver ftdi_sio took it"]


def test_noticed_but_not_yet_asked_is_no_verdict():
    asking = look(1, said=FAILS[:1])
    assert verdict_of(look(0), asking).kind == "settling"
    assert verdict_of(look(0), asking, look(1.4, BOARD)).kind == "settling"


def test_no_driver_bound():
    assert verdict_of(look(0), look(1, BARE), look(1 + SETTLES_S - 0.1, BARE)).kind == "settling"
    verdict = verdict_of(look(0), look(1, BARE), look(1 + SETTLES_S, BARE))
    assert (verdict.kind, verdict.causes[0].id) == ("no-driver", "driver-missing")
    assert "1209:0001" in verdict.help


def test_a_program_that_took_the_device_is_named():
    taken = "usb 1-2: usbfs: interface 0 claimed by ch341 while 'somebody' sets config #1"
    verdict = verdict_of(look(0), look(1, BARE), look(1.2, BARE, said=(taken,)), look(1 + SETTLES_S, BARE))
    assert verdict.kind == "not-serial"
    assert "somebody" in verdict.detail


def test_no_permission():
    shut = BOARD._replace(ttys=(Tty("/dev/ttyUSB0", False, "join the group"),))
    assert verdict_of(look(0), look(1, shut), look(1 + SETTLES_S - 0.1, shut)).kind == "settling"
    verdict = verdict_of(look(0), look(1, shut), look(1 + SETTLES_S, shut))
    assert (verdict.kind, verdict.help, verdict.causes[0].id) == ("no-permission", "join the group", "port-permission")
    # the rights come a moment after the node
    assert verdict_of(look(0), look(1, shut), look(1.2, BOARD), look(1 + STAYS_S, BOARD)).kind == "good"


def test_another_device_than_expected():
    looks = [look(0), look(1, BOARD), look(1 + STAYS_S, BOARD)]
    verdict = verdict_of(*looks, expected=(0x1209, 2))
    assert (verdict.kind, verdict.causes[0].id) == ("other-device", "wrong-port")
    assert "1209:0002" in verdict.detail
    assert verdict_of(*looks, expected=(0x1209, 1)).kind == "good"


@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_of_a_board_that_brings_several_devices_the_serial_one_counts(order):
    other = UsbDevice("1-2.2", 7, 0x1209, 2, product="probe", drivers=("usbhid",))
    serial = BOARD._replace(place="1-2.1")
    pair = [serial, other]
    looks = [look(0), look(1, pair[order[0]]), look(1.5, *pair), look(1.5 + STAYS_S, *pair)]
    verdict = verdict_of(*looks)
    assert (verdict.kind, verdict.place) == ("good", "1-2.1")
    assert verdict_of(*looks, expected=(0x1209, 2)).place == "1-2.2"


def test_what_was_here_before_is_no_part_of_the_story():
    fold = fold_of(look(0, BOARD), look(PATIENCE_S, BOARD))
    assert fold.verdict().kind == "nothing"
    assert "Tern bridge" in fold.verdict().detail
    assert not fold.events
    # unless it is what is expected
    assert verdict_of(look(0, BOARD), look(1, BOARD), expected=(0x1209, 1)).kind == "good"


def test_unplugged_and_plugged_in_again():
    gone = [look(0, BOARD), look(2)]
    assert verdict_of(*gone).kind == "gone"
    again = BOARD._replace(number=6)
    assert verdict_of(*gone, look(4, again), look(4 + STAYS_S, again)).kind == "good"


def looping(period_s, times=LOOP_TIMES):
    looks = [look(0)]
    for turn in range(times):
        looks += [look(1 + turn * period_s, BOARD._replace(number=turn + 1)), look(1 + (turn + 0.5) * period_s)]
    return looks


def test_a_loop_is_seen_and_ends_when_the_device_stays():
    looks = looping(1.0)
    assert verdict_of(*looks[:-2]).kind == "gone"
    for end in (len(looks), len(looks) - 1):  # there or gone at this moment
        verdict = verdict_of(*looks[:end])
        assert verdict.kind == "loop"
        assert verdict.causes[0].id == "supply-shorted"
    last = BOARD._replace(number=9)
    assert verdict_of(*looks, look(9, last), look(9 + STAYS_S - 0.1, last)).kind == "loop"
    assert verdict_of(*looks, look(9, last), look(9 + STAYS_S, last)).kind == "good"
    assert verdict_of(*looping(6.0)).kind == "gone"  # as slow as a hand


def test_a_loop_too_fast_for_the_tree_is_seen_by_the_device_number_and_by_the_kernel():
    turns = [look(turn * 0.25, BOARD._replace(number=turn)) for turn in range(1, 5)]
    assert verdict_of(look(0), *turns).kind == "loop"
    said = [
        text
        for number in (5, 6, 7)
        for text in (
            f"usb 1-2: new full-speed USB device number {number} using xhci_hcd",
            "usb 1-2: New USB device found, idVendor=1209, idProduct=0001, bcdDevice= 1.00",
            f"usb 1-2: USB disconnect, device number {number}",
        )
    ]
    assert verdict_of(look(0), look(1, said=said)).kind == "loop"


def test_tree_and_kernel_tell_of_one_arrival():
    looks = [look(0)]
    for turn in range(2):
        device = BOARD._replace(number=turn + 1)
        said = (
            f"usb 1-2: new full-speed USB device number {turn + 1} using xhci_hcd",
            "usb 1-2: New USB device found, idVendor=1209, idProduct=0001, bcdDevice= 1.00",
        )
        looks += [look(1 + turn, device, said=said), look(1.5 + turn)]
    assert verdict_of(*looks).kind == "gone"  # two arrivals, told of twice each


def test_the_same_failure_at_two_sockets_clears_the_socket():
    other = [text.replace("1-2", "1-3").replace("port2", "port3") for text in FAILS]
    one, two = verdict_of(look(0), look(1, said=FAILS)), verdict_of(look(0), look(1, said=FAILS), look(9, said=other))
    assert "usb-socket" in [cause.id for cause in one.causes]
    assert "usb-socket" not in [cause.id for cause in two.causes]
    assert two.place == "1-3"


def test_what_failed_before_and_stays_now_says_so_and_clears_the_signs():
    fold = fold_of(look(0), look(1, said=FAILS), look(9, BOARD), look(9 + STAYS_S, BOARD))
    assert "failed before" in fold.verdict().detail
    for one in (look(20), look(21, BOARD._replace(number=9)), look(25, BOARD._replace(number=9))):
        fold.add(one)
    assert fold.verdict().detail == "Tern bridge (1209:0001)"


def test_a_hub_is_told_and_not_judged():
    hub = UsbDevice("1-4", 3, 0x1209, 3, device_class=HUB_CLASS, drivers=("hub",))
    fold = fold_of(look(0), look(1, hub), look(PATIENCE_S, hub))
    assert texts(fold) == ["a hub came"]
    assert fold.verdict().kind == "nothing"


def test_lost_lines_are_told():
    assert "missing" in texts(fold_of(look(0), look(1, lost=True)))[0]


PLACES = st.sampled_from(["1-1", "1-2", "1-2.1"])
DEVICES = st.builds(
    UsbDevice, PLACES, st.integers(0, 4), st.none() | st.integers(0, 0xFFFF), st.none() | st.integers(0, 0xFFFF),
    st.just(""), st.text(max_size=5).map(clean), device_class=st.sampled_from([0, HUB_CLASS]),
    drivers=st.lists(st.sampled_from(["", "cdc_acm"]), max_size=2).map(tuple),
    ttys=st.lists(st.builds(Tty, st.sampled_from(["a", "b"]), st.booleans()), max_size=2).map(tuple),
)  # fmt: skip
SAID = st.sampled_from([*FAILS, "usb 1-2.1: USB disconnect, device number 3", "hub 1-1:1.0: over-current condition"])
LOOKS = st.lists(
    st.tuples(
        st.floats(0, 4),
        st.lists(DEVICES, max_size=3, unique_by=lambda one: one.place),
        st.lists(SAID, max_size=3),
        st.booleans(),
    ),
    max_size=12,
)


@given(LOOKS, st.none() | st.just((0x1209, 1)))
def test_any_story_has_a_verdict_with_a_next_step(story, expected):
    fold, now = PlugFold(expected), 0.0
    for step, devices, said, log in story:
        now += step
        fold.add(look(now, *devices, said=said, log=log))
        verdict = fold.verdict()
        assert verdict.title
        assert verdict.help
        assert (verdict.port is not None) == (verdict.kind == "good")
        assert all(0 < cause.probability <= 0.99 for cause in verdict.causes)
        assert all(0 <= event.t_s <= now for event in fold.events)


def test_the_belief_is_bayes_rule():
    # worked by hand with fractions: prior times chance over their sum, for one sign
    table = plug_table()
    weights = {
        id: Fraction(str(cause.prior)) * Fraction(str(table.signs["over-current"].chance[id]))
        for id, cause in table.causes.items()
    }
    expected = {id: float(weight / sum(weights.values())) for id, weight in weights.items()}
    for cause in suspects(["over-current"], table):
        assert cause.probability == pytest.approx(expected[cause.id])


@pytest.mark.parametrize("sign", ["unseen", "no-reply", "loop"])
def test_no_other_order_of_the_steps_finds_the_cause_in_fewer_minutes(sign):
    # by enumeration of all orders; each cause is settled by one step, and one cause is there
    table = plug_table()
    causes = suspects([sign], table)
    belief = {cause.id: cause.probability for cause in causes}
    share = {step.id: sum(belief.get(id, 0.0) for id in settles) for step, settles in table.steps}

    def minutes(order):
        spent = total = 0.0
        for step in order:
            spent += step.minutes
            total += share[step.id] * spent
        return total

    ours = steps_for(causes, table)
    assert minutes(ours) <= min(minutes(order) for order in permutations(ours)) + 1e-9


@pytest.mark.parametrize(("sign", "code"), [("unseen", "absent"), ("loop", "vanish")])
def test_the_two_tables_do_not_contradict_each_other(sign, code):
    # H08 of the catalogue is the cable without data and the dead chip here
    after = catalogue().likelihood(code)
    ranked = {
        id: catalogue().causes[id].prior * after[id] for id in ("adapter-dead", "bridge-clock-dead", "supply-shorted")
    }
    here = {cause.id: cause.probability for cause in suspects([sign], plug_table())}
    here["adapter-dead"] = here.get("cable-charge-only", 0.0) + here.get("bridge-chip-dead", 0.0)
    assert sorted(ranked, key=lambda id: ranked[id]) == sorted(ranked, key=lambda id: here[id])
