"""One page to read at home and talk over: made from a run's results, needs no network."""
