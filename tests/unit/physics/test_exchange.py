"""Exact limits and invariants of the transport through a circuit."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from random_circuits import Act, L, acts, circuits, contents_of, generator, shares
from sumpwright.physics import exchange as ex
from sumpwright.physics.circuit import POCKETS, SUMP, Circuit, Contents, circuit, filled
from sumpwright.physics.transport import Feed, flowing, transition

FEEDS: tuple[Feed, ...] = ("sump", "inlet", "return")
feeds = st.sampled_from(FEEDS)
seeds = st.integers(0, 2**32 - 1)
plain = st.builds(
    circuit,
    st.floats(0.5, 10.0).map(lambda v: v * L),
    st.floats(0.5, 10.0).map(lambda v: v * L),
    (st.just(0.0) | st.floats(0.1, 2.0)).map(lambda v: v * L),
    st.integers(1, 6),
    st.floats(0.0, 0.9),
)


# --- conservation -----------------------------------------------------------------


@settings(max_examples=150, deadline=None)
@given(st.data(), circuits(), st.integers(2, 4), seeds)
def test_each_batch_is_conserved_under_any_operations(
    data: st.DataObject, body: Circuit, batches: int, seed: int
) -> None:
    contents = contents_of(body, batches, seed)
    for act in data.draw(acts(batches)):
        contents = _checked(act, body, contents)


def _checked(act: Act, body: Circuit, before: Contents) -> Contents:
    amount = act.amount(body, before)
    after = act.apply(body, before)
    slack = 1e-10 * np.maximum(before.total + amount, body.capacity)

    assert np.all(after.share >= -1e-12)
    assert np.all(after.share <= 1 + 1e-12)
    np.testing.assert_allclose(after.share.sum(axis=2), 1.0, rtol=0, atol=1e-9)
    assert np.all(after.volume >= 0)
    assert np.all(after.volume[:, 1:] <= body.volumes[:, 1:] + slack[:, None])

    entered = np.zeros_like(before.by_batch)
    if act.kind in {"fill", "exchange"}:
        entered[:, act.batch] = amount
    left = before.by_batch + entered - after.by_batch
    if act.kind == "drain":
        expected = amount[:, None] * before.share[:, SUMP]
    elif act.kind == "purge":
        blown = before.volume - after.volume
        expected = np.einsum("dc,dcb->db", blown, before.share)
    elif act.kind in {"discharge", "exchange"}:
        # What left is known in sum; each part of it must be a volume that was there.
        assert np.all(left >= -slack[:, None])
        assert np.all(left <= before.by_batch + entered + slack[:, None])
        assert np.all(np.abs(left.sum(axis=1) - amount) <= slack)
        return after
    else:
        expected = np.zeros_like(left)
    assert np.all(np.abs(left - expected) <= slack[:, None])
    return after


@settings(max_examples=40, deadline=None)
@given(plain, st.sampled_from(["sump", "inlet"]), st.floats(0.05, 0.95), seeds)
def test_what_comes_out_is_what_flows_past_the_outlet(
    body: Circuit, feed: Feed, part: float, seed: int
) -> None:
    before = contents_of(body, 2, seed)
    volume = part * body.sump[0]
    # One more place collects the outlet: its content is the integral of the exit share.
    places = body.places
    g = np.zeros((places + 2, places + 2))
    g[:-1, :-1] = generator(body.volumes[0], feed)
    g[-1, :-2] = (np.arange(places) == np.flatnonzero(flowing(body.volumes)[0])[-1]) / volume
    start = np.concatenate([before.share[0, :, 1], [1.0, 0.0]])
    out = volume * float((expm(g * volume) @ start)[-1])
    if feed == "sump":
        after, entered = ex.discharge(body, before, volume), 0.0
    else:
        after, entered = ex.exchange(body, before, volume, 1), volume
    lost = float(before.by_batch[0, 1] + entered - after.by_batch[0, 1])
    assert lost == pytest.approx(out, abs=1e-11 * body.capacity[0])


# --- the transport itself -----------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(circuits(1), feeds, st.floats(0.0, 20.0))
def test_transition_is_the_matrix_exponential(body: Circuit, feed: Feed, litres: float) -> None:
    t = transition(body, litres * L, feed)[0]
    want = expm(generator(body.volumes[0], feed) * litres * L)
    np.testing.assert_allclose(t, want, rtol=0, atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(plain, feeds, st.floats(0.1, 8.0), seeds)
def test_transition_agrees_with_an_integrator(
    body: Circuit, feed: Feed, litres: float, seed: int
) -> None:
    g = generator(body.volumes[0], feed)
    start = np.append(np.random.default_rng(seed).random(body.places), 1.0)
    run = solve_ivp(
        lambda _, c: g @ c, (0, litres * L), start, method="DOP853", rtol=1e-12, atol=1e-13
    )
    np.testing.assert_allclose(
        transition(body, litres * L, feed)[0] @ start, run.y[:, -1], rtol=0, atol=1e-9
    )


@settings(max_examples=60, deadline=None)
@given(circuits(), feeds, st.floats(0.0, 5.0), st.floats(0.0, 5.0))
def test_propagators_compose(body: Circuit, feed: Feed, a: float, b: float) -> None:
    first, then = transition(body, a * L, feed), transition(body, b * L, feed)
    np.testing.assert_allclose(then @ first, transition(body, (a + b) * L, feed), rtol=0, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(circuits(), feeds, st.floats(0.0, 50.0))
def test_transition_is_stochastic_and_leaves_the_pockets_alone(
    body: Circuit, feed: Feed, litres: float
) -> None:
    t = transition(body, litres * L, feed)
    assert np.all(t >= 0)
    np.testing.assert_allclose(t.sum(axis=2), 1.0, rtol=0, atol=1e-14)
    only = np.zeros(body.places + 1)
    only[POCKETS] = 1.0
    np.testing.assert_array_equal(t[:, POCKETS], np.broadcast_to(only, t[:, POCKETS].shape))
    np.testing.assert_array_equal(t[:, :, POCKETS], np.broadcast_to(only, t[:, POCKETS].shape))


@given(plain, feeds)
def test_nothing_moves_when_nothing_passes(body: Circuit, feed: Feed) -> None:
    np.testing.assert_array_equal(transition(body, 0.0, feed)[0], np.eye(body.places + 1))


@settings(max_examples=30, deadline=None)
@given(circuits(1), feeds, st.floats(0.0, 5.0))
def test_draws_alike_take_the_same_way_as_one(body: Circuit, feed: Feed, litres: float) -> None:
    one = transition(body, litres * L, feed)
    many = transition(body.take(np.zeros(3, dtype=np.intp)), litres * L, feed)
    np.testing.assert_array_equal(many, np.broadcast_to(one, many.shape))


def test_more_draws_than_fit_in_one_piece_are_all_worked_out() -> None:
    rng = np.random.default_rng(1)
    body = circuit(rng.uniform(1, 9, 301) * L, 4 * L, 0.5 * L, rng.integers(1, 5, 301), 0.1)
    whole = transition(body, 3 * L, "inlet")
    for i in (0, 127, 128, 300):
        alone = body.take(np.array([i]))
        fewer = body.chain_tanks - alone.chain_tanks
        keep = np.r_[0, 1, 2 + fewer : body.places + 1]
        np.testing.assert_allclose(
            whole[i][np.ix_(keep, keep)], transition(alone, 3 * L, "inlet")[0], rtol=0, atol=1e-13
        )


# --- exact limits -------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(circuits(), st.floats(0.01, 1.0), st.integers(1, 12))
def test_drain_fill_and_drive_dilute_geometrically(body: Circuit, part: float, n: int) -> None:
    d = part * body.sump
    contents = filled(body)
    for _ in range(n):
        contents = ex.drive(body, ex.fill(ex.drain(contents, d), d, 1))
    np.testing.assert_allclose(
        contents.mean_share[:, 1], 1 - (1 - d / body.capacity) ** n, rtol=0, atol=1e-12
    )


@given(st.floats(0.1, 50.0), st.floats(0.0, 8.0))
def test_one_perfect_tank_keeps_exp_of_the_turnover(litres: float, turns: float) -> None:
    body = circuit(litres * L, 0.0)
    old = ex.exchange(body, filled(body), turns * litres * L, 1).mean_share[0, 0]
    assert old == pytest.approx(math.exp(-turns), abs=1e-12)


@pytest.mark.parametrize("n", [1, 2, 5, 20, 40])
def test_equal_tanks_keep_what_a_gamma_tail_says_after_one_turnover(n: int) -> None:
    # E[(T − 1)⁺] of a Gamma(N) residence time of mean 1 is N^N e^(−N) / N!, about 1/√(2πN):
    # nothing is left of it in the limit of plug flow.
    body = circuit(1 * L / n, (n - 1) * L / n, tanks=max(1, n - 1))
    old = ex.exchange(body, filled(body), 1 * L, 1).mean_share[0, 0]
    assert old == pytest.approx(math.exp(n * math.log(n) - n - math.lgamma(n + 1)), abs=1e-12)


@pytest.mark.parametrize("turns", [0.2, 0.5, 0.8, 1.2, 2.0])
def test_many_tanks_come_near_plug_flow(turns: float) -> None:
    def old(n: int) -> float:
        body = circuit(1 * L / n, (n - 1) * L / n, tanks=n - 1)
        return float(ex.exchange(body, filled(body), turns * L, 1).mean_share[0, 0])

    plug = max(0.0, 1 - turns)
    apart = [old(n) - plug for n in (10, 40, 160)]
    assert all(x >= -1e-12 for x in apart)
    assert apart == sorted(apart, reverse=True)
    assert apart[-1] < 5e-3


@settings(max_examples=40, deadline=None)
@given(circuits(1), st.floats(0.0, 3.0))
def test_more_mixing_never_helps_a_pure_exchange(body: Circuit, turns: float) -> None:
    fresh = []
    for n in (1, 2, 3, 6, 12):
        mixed = Circuit(body.sump, body.upper, body.loop, np.array([n]), body.pockets)
        volume = turns * body.capacity
        fresh.append(float(ex.exchange(mixed, filled(mixed), volume, 1).mean_share[0, 1]))
    assert all(b >= a - 1e-9 for a, b in itertools.pairwise(fresh))


@settings(max_examples=100, deadline=None)
@given(st.data(), circuits())
def test_no_sequence_beats_the_displacement_bound(data: st.DataObject, body: Circuit) -> None:
    contents = filled(body)
    new = np.zeros(body.draws)
    for act in data.draw(acts(2)):
        if act.kind in {"fill", "exchange"}:
            new = new + act.amount(body, contents)
            act = Act(act.kind, act.part, 1)
        contents = act.apply(body, contents)
        # The bound is about a full system: top it up with new fluid.
        short = np.maximum(body.capacity - contents.total, 0.0)
        topped = ex.fill(contents, short, 1)
        level = topped.total <= body.capacity * (1 + 1e-9)
        bound = ex.displacement_bound(new + short, body.capacity)
        assert np.all(topped.mean_share[level, 0] >= bound[level] - 1e-9)


@settings(max_examples=30, deadline=None)
@given(circuits(), seeds)
def test_long_circulation_mixes_all_but_the_pockets(body: Circuit, seed: int) -> None:
    before = contents_of(body, 3, seed)
    after = ex.circulate(body, before, 1000 * body.capacity)
    moving = flowing(body.volumes)
    for d in range(body.draws):
        volume = body.volumes[d] * moving[d]
        mean = volume @ before.share[d] / volume.sum()
        np.testing.assert_allclose(
            after.share[d, moving[d]], np.broadcast_to(mean, (moving[d].sum(), 3)), atol=1e-8
        )
        np.testing.assert_allclose(after.share[d, POCKETS], before.share[d, POCKETS], atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(circuits(), shares, st.integers(0, 40), seeds)
def test_sweeps_bring_pockets_and_chain_together(
    body: Circuit, share: float, sweeps: int, seed: int
) -> None:
    before = contents_of(body, 2, seed)

    def apart(c: Contents) -> np.ndarray:
        chain = slice(2, 2 + body.chain_tanks)
        weight = c.volume[:, chain]
        mean = np.einsum("dc,dcb->db", weight, c.share[:, chain])
        mean = mean / np.maximum(weight.sum(axis=1), 1e-30)[:, None]
        both = (c.volume[:, POCKETS] > 0) & (weight.sum(axis=1) > 0)
        return np.where(both, np.abs(mean[:, 1] - c.share[:, POCKETS, 1]), 0.0)

    after = ex.work(body, before, sweeps, share)
    assert np.all(apart(after) <= apart(before) + 1e-9)
    if sweeps == 0 or share == 0:
        np.testing.assert_array_equal(after.share, before.share)


def test_a_sweep_of_the_whole_pockets_swaps_them_with_the_chain() -> None:
    body = circuit(4 * L, 2 * L, pockets=0.5)
    share = np.zeros((1, body.places, 2))
    share[:, :, 0] = 1.0
    share[:, POCKETS] = [0.0, 1.0]
    after = ex.work(body, Contents(body.volumes, share), 1, 1.0)
    assert after.share[0, POCKETS].tolist() == [1.0, 0.0]
    assert after.share[0, 2].tolist() == [0.0, 1.0]


def test_a_blown_loop_is_filled_from_the_end_of_the_chain() -> None:
    body = circuit(4 * L, 2 * L, 1 * L)
    share = np.zeros((1, body.places, 3))
    share[:, SUMP, 0] = share[:, POCKETS, 0] = 1.0
    share[:, 2, 1] = 1.0
    share[:, 3:, 2] = 1.0
    blown = ex.purge(Contents(body.volumes, share), 1.0)
    again = ex.prime(body, blown)
    # One perfect tank of 2 L gives 1 L away while the sump follows it.
    kept = math.exp(-0.5)
    assert again.share[0, 2, 1] == pytest.approx(kept, abs=1e-12)
    assert again.by_batch[0, 1] == pytest.approx(2 * L, abs=1e-15)
    assert again.by_batch[0, 2] == 0.0
    assert again.share[0, -1, 1] == pytest.approx(2 * (1 - kept), abs=1e-12)


def test_a_low_sump_fills_the_loop_as_far_as_it_goes() -> None:
    body = circuit(1 * L, 2 * L, 1 * L)
    low = ex.drain(ex.purge(filled(body), 1.0), 0.75 * L)
    again = ex.prime(body, low)
    assert again.volume[0, SUMP] == 0.0
    assert again.volume[0, 3:].sum() == pytest.approx(0.25 * L, abs=1e-15)


def test_an_exchange_through_an_empty_sump_passes_it_by() -> None:
    body = circuit(1 * L, 2 * L)
    empty = ex.drain(filled(body), 1 * L)
    after = ex.exchange(body, empty, 2 * L, 1)
    assert after.mean_share[0, 0] == pytest.approx(math.exp(-1), abs=1e-12)
    assert after.share[0, SUMP, 0] == 1.0


def test_an_empty_system_is_as_its_sump_was() -> None:
    body = circuit(1 * L, 0.0)
    assert ex.drain(filled(body), 1 * L).mean_share.tolist() == [[1.0, 0.0]]


@pytest.mark.parametrize(
    ("what", "act"),
    [
        ("the sump holds", lambda _, c: ex.drain(c, 5 * L)),
        ("the sump holds", lambda b, c: ex.discharge(b, c, 5 * L)),
        ("not negative", lambda _, c: ex.fill(c, -1 * L, 1)),
        ("not negative", lambda b, c: ex.exchange(b, c, math.nan, 1)),
        ("at most 1", lambda _, c: ex.purge(c, 1.1)),
        ("at most 1", lambda b, c: ex.work(b, c, 1, 1.1)),
        ("not be negative", lambda b, c: ex.work(b, c, -1, 0.1)),
    ],
)
def test_what_cannot_be_is_refused(what: str, act: object) -> None:
    body = circuit(4 * L, 3 * L, 1 * L)
    with pytest.raises(ValueError, match=what):
        act(body, filled(body))  # type: ignore[operator]


@pytest.mark.parametrize(
    ("what", "change"),
    [
        ("sump must hold", {"sump": 0.0}),
        ("upper must be", {"upper": -1.0}),
        ("loop must be", {"loop": math.inf}),
        ("pockets is a share", {"pockets": 1.5}),
        ("at least 1", {"tanks": 0}),
        ("whole numbers", {"tanks": 1.5}),
    ],
)
def test_a_circuit_that_cannot_be_is_refused(what: str, change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=what):
        circuit(**{"sump": 4 * L, "upper": 3 * L, **change})


@pytest.mark.parametrize("left", [0.0, 2.2e-128, 1e-15])
def test_a_film_in_a_system_run_empty_breaks_nothing(left: float) -> None:
    body = circuit(4e-3, 0.0)
    empty = ex.fill(ex.drain(filled(body, batches=3), 4e-3), left, 1)
    for after in (ex.exchange(body, empty, 1e-3, 2), ex.circulate(body, empty, 1e-3)):
        np.testing.assert_allclose(after.share.sum(axis=2), 1.0, rtol=0, atol=1e-12)
        np.testing.assert_array_equal(after.volume, empty.volume)
