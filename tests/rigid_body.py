"""Full rigid body of a flying disc with six degrees of freedom: slow, for checks only.

State: place, velocity, unit normal, angular momentum; x ahead, y left, z up.
"""

import numpy as np
from scipy.integrate import solve_ivp


def fly_rigid_body(
    coefficients, *, mass, area, diameter, spin_inertia, across_inertia, density, gravity,
    speed, climb, pitch, spin, height, hyzer=0.0, roll=None, pitch_damping=0.0, spin_damping=0.0,
    until=15.0,
):  # fmt: skip
    """Fly to the ground; angles in radians, spin clockwise seen from above.

    `coefficients` gives CL, CD and CM at an angle of attack; `roll` a coefficient of roll moment
    from spin and roll rate. Returns times, places (times, 3), normals and angular momenta.
    """
    way = np.array([np.cos(climb), 0.0, np.sin(climb)])
    normal = turned(np.array([-np.sin(pitch), 0.0, np.cos(pitch)]), way, -hyzer)

    def rate(_time, state):
        v, n, momentum = state[3:6], state[6:9] / np.linalg.norm(state[6:9]), state[9:]
        about = momentum @ n
        turn = momentum / across_inertia + (1 / spin_inertia - 1 / across_inertia) * about * n
        flat = v - (v @ n) * n
        ahead = flat / np.linalg.norm(flat)
        right = np.cross(ahead, n)
        pace = np.linalg.norm(v)
        alpha = np.arctan2(-(v @ n), np.linalg.norm(flat))
        cl, cd, cm = coefficients(alpha)
        push = density * pace**2 * area / 2
        lift = np.sin(alpha) * ahead + np.cos(alpha) * n
        force = push * (cl * lift - cd * v / pace) - mass * gravity * np.array([0, 0, 1.0])
        moment = push * diameter * (cm + pitch_damping * (turn @ right)) * right
        if roll is not None:
            moment += push * diameter * roll(-(turn @ n), turn @ ahead) * ahead
        moment += -spin_damping * -(turn @ n) * n
        return np.r_[v, force / mass, np.cross(turn, n), moment]

    def ground(_time, state):
        return state[2]

    ground.terminal = True
    start = np.r_[0.0, 0.0, height, speed * way, normal, -spin_inertia * spin * normal]
    done = solve_ivp(rate, (0, until), start, method="DOP853", rtol=1e-7, atol=1e-9, events=ground)
    return done.t, done.y[:3].T, done.y[6:9].T, done.y[9:].T


def turned(vector, axis, angle):
    """A vector turned about a unit axis, counterclockwise (Rodrigues)."""
    return (
        vector * np.cos(angle)
        + np.cross(axis, vector) * np.sin(angle)
        + axis * (axis @ vector) * (1 - np.cos(angle))
    )
