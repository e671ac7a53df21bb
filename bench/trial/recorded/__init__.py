"""Recordings of a bus: kept in a file, and played back with their timing."""

from bench.trial.recorded.file import Recorder, Recording, Torn
from bench.trial.recorded.playback import RecordedSource, Survey, survey

__all__ = ["RecordedSource", "Recorder", "Recording", "Survey", "Torn", "survey"]
