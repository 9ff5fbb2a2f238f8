"""Files that people write: rig, set and profiles, read with the place of every mistake."""

from replank.host.files.mistakes import BadFile, Mark, Mistake
from replank.host.files.rig import default_setup, load_rig
from replank.host.files.sets import load_set
from replank.host.files.yaml_reader import read_yaml

__all__ = ["BadFile", "Mark", "Mistake", "default_setup", "load_rig", "load_set", "read_yaml"]
