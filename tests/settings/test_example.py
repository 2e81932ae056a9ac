from pathlib import Path

import yaml

from lanewright.settings.config import Config, load
from lanewright.settings.example import every_setting

ROOT = Path(__file__).resolve().parents[2]


def test_the_example_in_configs_is_what_the_models_say():
    written = (ROOT / "configs" / "every-setting.yaml").read_text(encoding="utf-8")
    assert written == every_setting() + "\n"


def test_the_example_is_the_defaults():
    raw = yaml.safe_load(every_setting())
    for section in list(raw):
        raw[section] = {} if raw[section] is None else raw[section]
    config = Config.model_validate(raw)
    plain = {k: raw[k] for k in ("name", "property", "points", "elevation", "keep_out", "out")}
    assert config == Config.model_validate(plain)


def test_the_example_itself_can_be_loaded():
    """A section whose every line is a comment keeps its defaults."""
    assert load(ROOT / "configs" / "every-setting.yaml").name == "Hollow Creek"


def test_every_setting_is_described():
    def walk(model, path):
        for name, field in model.model_fields.items():
            inner = field.annotation
            if isinstance(inner, type) and hasattr(inner, "model_fields"):
                walk(inner, f"{path}{name}.")
            else:
                assert field.description, f"{path}{name} has no description"

    walk(Config, "")
