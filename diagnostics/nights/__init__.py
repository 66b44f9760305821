"""Nights between two weighings: only the new day is reckoned, beside what the last weighing lets one expect."""

from diagnostics.nights.new_day import Models, NewDay, extended
from diagnostics.nights.standing import Night, end_of, weighs_by_calendar
from diagnostics.nights.walk import (
    WINDOW_DAYS,
    Preparation,
    bring_up,
    cut,
    last_weighed,
    light_night,
    weigh_night,
    weighable,
    window_of,
)

__all__ = ["WINDOW_DAYS", "Models", "NewDay", "Night", "Preparation", "bring_up", "cut", "end_of", "extended",
           "last_weighed", "light_night", "weigh_night", "weighable", "weighs_by_calendar", "window_of"]
