"""One throw: sites, the search, throws through contact density, measures and scores."""
