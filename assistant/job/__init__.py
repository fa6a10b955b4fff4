"""A job: one contract's limits, mixes, levels, retest rules and sampling frequency, in one TOML file that a person can write.

    job = "Tern Hollow footbridge"          # labels: LABELS in file.py
    chamber_ratio = 0.0612                  # settings: see assistant/core/settings.py
    rounding = "half-even"
    [limits]
    air_content = { min = 4.5, max = 7.5 }
    system_air_metric = { max = 0.20 }      # the decimals written are the place that results are compared at

``bowlside job new FILE`` writes a whole one with every part explained.
"""
from assistant.job.file import REFUSED, Frequency, Job, JobError, Mix, load, of_text, read

__all__ = ["REFUSED", "Frequency", "Job", "JobError", "Mix", "load", "of_text", "read"]
