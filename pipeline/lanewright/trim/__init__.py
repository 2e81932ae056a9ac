"""The least vegetation to take away, and how it is written down."""
