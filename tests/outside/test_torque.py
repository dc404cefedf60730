"""Torque-wrench extensions against worked examples of two public training manuals."""

from __future__ import annotations

import math

import pytest

from sumpwright.physics.torque import applied_torque, wrench_setting

INCH = 0.0254


def test_navy_worked_example() -> None:
    # Source: US Navy training manual NAVEDTRA 14315, figures 3-44 and 3-45: to exert 100
    # inch-pounds with a 12 inch handle and a 6 inch extension, set 66.7 inch-pounds. (Ratios: the
    # unit cancels.)
    assert float(wrench_setting(100.0, 12 * INCH, 6 * INCH)) == pytest.approx(66.7, abs=0.05)


def test_army_worked_example() -> None:
    # Source: US Army TM 9-254, figure 45: a 12 inch wrench set to 60 inch-pounds exerts 70 at
    # the end of a 2 inch extension.
    assert float(applied_torque(60.0, 12 * INCH, 2 * INCH)) == pytest.approx(70.0, rel=1e-12)


def test_army_rule_for_an_angled_extension() -> None:
    # Source: US Army TM 9-254, figure 46: the effective lever is the wrench plus the extension
    # times the cosine of the angle between them.
    straight = float(applied_torque(60.0, 12 * INCH, 2 * INCH * math.cos(math.radians(40))))
    angled = float(applied_torque(60.0, 12 * INCH, 2 * INCH, math.radians(40)))
    assert angled == pytest.approx(straight, rel=1e-12)


def test_the_lever_by_statics() -> None:
    # Independent of the formula: a force square to the handle at the grip, crossed with the
    # arm from fastener to grip, is the torque at the fastener.
    length, reach, phi, force = 0.45, 0.12, math.radians(35), 80.0
    drive = (-reach * math.cos(phi), -reach * math.sin(phi))
    grip = (drive[0] - length, drive[1])
    torque = abs(grip[0] * force - grip[1] * 0.0)
    assert float(applied_torque(force * length, length, reach, phi)) == pytest.approx(torque)
