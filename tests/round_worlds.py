"""Small lands of holes and walks at random, for the search for rounds."""

from dataclasses import replace

import numpy as np

from lanewright.layout.round import ARRIVAL, Problem, Wish


def problem(seed: int, size: int = 7, wanted: int = 4, **changes) -> Problem:
    """A small land: places on a square, walks between most of them, some holes apart."""
    rng = np.random.default_rng(seed)
    tee, basket = rng.uniform(0, 300, (2, size, 2))
    arrival = np.array([150.0, 0.0])
    pairs = [(a, b) for a in range(size) for b in range(size) if a != b and rng.random() < 0.8]
    start = [ARRIVAL] * size + [a for a, _ in pairs] + list(range(size))
    end = list(range(size)) + [b for _, b in pairs] + [ARRIVAL] * size
    places_from = np.array([arrival if a == ARRIVAL else basket[a] for a in start])
    places_to = np.array([arrival if b == ARRIVAL else tee[b] for b in end])
    walk = np.round(0.2 * np.hypot(*(places_from - places_to).T), 1)
    fire = [(w, h) for w in range(len(start)) for h in range(size) if rng.random() < 0.05]
    made = Problem(
        wanted=wanted,
        gains={
            "quality": np.round(rng.uniform(30, 100, size), 1),
            "trimming": -2.0 * rng.uniform(0, 6, size).round(1),
        },
        apart=np.array([rng.choice(size, 2, replace=False) for _ in range(3)]),
        start=np.array(start),
        end=np.array(end),
        costs={"walks": walk, "bridges": 10.0 * (rng.random(len(walk)) < 0.1)},
        fire=np.array(fire, np.int64).reshape(-1, 2),
        crossing=20.0,
        wishes=[
            Wish("left", rng.random(size) < 0.4, 2, 25.0),
            Wish("climbs", rng.random(size) < 0.5, 2, 15.0),
        ],
        length=rng.uniform(60, 120, size).round(),
        total=(wanted * 80.0, wanted * 95.0),
        per_metre=0.5,
        finish=rng.integers(0, 2, size),
        in_a_row=2,
        repeat=30.0,
        trim=rng.uniform(0, 6, size).round(1),
        budget=None,
        must=np.zeros(size, bool),
        place=np.zeros(size, np.int64),
    )
    return replace(made, **changes)
