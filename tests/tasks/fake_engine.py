"""A stand-in for the growth engine: same interface, no physics, and arithmetic that shows any lost bit.

A hexagonal plate whose size follows a chaotic map: a state that comes back wrong in its last bit gives
other rows within a few dozen steps.
"""

import math
import os
import time

import numpy as np

from icewright.recipe.endings import time_left_s, why_ended
from icewright.recipe.schedule import Schedule
from icewright.shape.sizes import measure
from icewright.shape.solid import hexagon

RHO = 917.0


class FakeSimulation:
    warnings = ("no physics in here",)

    def __init__(self, recipe, kinetics, seed=None):
        self.recipe, self.kinetics, self.schedule = recipe, kinetics, Schedule(recipe)
        self.time_s, self.step_index, self.time_in_step_s, self.ended = 0.0, 0, 0.0, None
        if seed is None:
            self.radius, self.thickness = recipe.seed.radius_m, recipe.seed.thickness_m
        else:
            sizes = measure(seed)
            self.radius, self.thickness = sizes.radius_tip_m, sizes.thickness_m
        self.field = np.linspace(0.1, 0.9, 32)
        self.speed = np.float32(0.0)
        self.nap = float(os.environ.get("FAKE_NAP_S", "0"))

    def advance(self):
        if self.nap:
            time.sleep(self.nap)
        self.field = 3.9 * self.field * (1.0 - self.field)
        air = self.schedule.conditions(self.step_index, self.time_in_step_s)
        step = self.schedule[self.step_index]
        dt = min(0.5 * (1.0 + float(self.field.mean())), time_left_s(step, self.time_in_step_s))
        self.speed = np.float32(max(air.sigma, 0.0) * 1e-6 * float(self.field.mean()))
        self.radius += float(self.speed) * dt
        self.thickness += 0.1 * float(self.speed) * dt
        self.time_s += dt
        self.time_in_step_s += dt
        why = why_ended(step, self.time_in_step_s, self.radius, self.thickness, self._mass())
        if why:
            if self.step_index + 1 == len(self.schedule):
                self.ended = why
            else:
                self.step_index, self.time_in_step_s = self.step_index + 1, 0.0

    def _mass(self):
        return 1.5 * math.sqrt(3.0) * self.radius**2 * self.thickness * RHO

    def reading(self):
        air = self.schedule.conditions(self.step_index, self.time_in_step_s)
        area = 1.5 * math.sqrt(3.0) * self.radius**2
        return {
            "time_s": self.time_s,
            "temperature_k": air.temperature_k,
            "sigma": air.sigma,
            "radius_tip_m": self.radius,
            "radius_facet_m": self.radius * math.sqrt(3.0) / 2.0,
            "thickness_m": self.thickness,
            "mass_kg": self._mass(),
            "area_m2": area,
            "perimeter_m": 6.0 * self.radius,
            "solidity": 1.0,
            "aspect_ratio": self.thickness / (2.0 * self.radius),
            "tip_velocity_m_s": self.speed,
            "mass_balance_error": 1e-4,
            "field_flux_ratio": 1.003,
            "cells": np.int64(1234),
        }

    def solid(self):
        return hexagon(self.radius, self.thickness, self.radius / 20.0)

    def state(self):
        return {
            "field": self.field,
            "speed": self.speed,
            "radius": self.radius,
            "thickness": self.thickness,
            "time_s": self.time_s,
            "step_index": self.step_index,
            "time_in_step_s": self.time_in_step_s,
            "ended": self.ended,
        }

    @classmethod
    def from_state(cls, recipe, kinetics, state):
        new = cls(recipe, kinetics)
        for name, value in state.items():
            setattr(new, name, value)
        return new


class Glancing(FakeSimulation):
    """Offers the cheap reading too, and counts the dear ones."""

    dear = 0

    def reading(self):
        type(self).dear += 1
        return super().reading()

    def glance(self):
        names = ("time_s", "temperature_k", "sigma", "radius_tip_m", "thickness_m", "mass_kg")
        return {name: FakeSimulation.reading(self)[name] for name in names}


class Faulty(FakeSimulation):
    """Breaks down after a while, as an engine with a fault would."""

    def advance(self):
        if self.time_s > 200.0:
            raise ZeroDivisionError("a fault in the engine")
        super().advance()
