"""Change of one client: did this client gain, did it matter, did it last, is there more to come."""

from outcomes.statistics.individual_change.gates import VERDICTS, count_verdicts, judge_change
from outcomes.statistics.individual_change.pairs import start_and_latest

__all__ = ["VERDICTS", "count_verdicts", "judge_change", "start_and_latest"]
