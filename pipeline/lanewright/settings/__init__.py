"""The configuration file: a section for each stage, levels, the generated example."""
