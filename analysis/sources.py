"""What is believed of each kind of harvest before it is seen."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Source:
    """What is believed of a kind of harvest before it is seen; sds relative to the mean."""

    noise_sd: float  # of a day about the level
    noise_keep: float  # correlation of the noise from day to day
    slow_sd: float  # of the level about the long-run mean
    slow_days: float  # over which the level forgets
    shared: float  # correlation with what the site's nodes share
    course_sd: float = 0.0  # of what part of a day's harvest comes until an hour
    kept: float = 0.0  # of what a closure is said to take away: how much still comes, and its sd:
    kept_sd: float = 0.0  # 0 is as it is said, 1 leaves the harvest as ever
    # Harvest left in learnt quiet hours (idling machines, emergency light), over what comes while the source works.
    left: float = 0.01
    left_sd: float = 0.012
    daylight: float = 0.0  # share of places whose harvest goes with the season of the clear sky
    poor: float = 0.01  # chance of a day below `stops.LOW` of the usual by scatter alone
    stops: float = 0.006  # that begin a day and that nobody announced: two a year

    @property
    def inflation(self) -> float:
        """How many days of noise are worth one."""
        return (1 + self.noise_keep) / (1 - self.noise_keep)


# Outdoor light: noise from the four public irradiance years, the level wider than there (0.15), for a panel's tilt
# and shade are in it; the rest are our own judgement, soon outweighed by the days. Which way a panel faces is not
# known: turned 30 degrees off south it has 0.3 (tilted by 30 degrees) to 0.6 (upright) more or less of its day by
# when the first third of the day's light is over (by pvlib's clear sky). A closure darkens no sky, halls have
# windows, and a furnace is kept warm; some masts send all night, and those beyond the fence when the plant is closed.
# Of what is left at night of a source that nobody has named as much is believed as of radio. On panels tilted by 30
# to 75 degrees one day in seven is below 0.4 of the usual, and of those 0.38 are followed by another: five in a row
# come once a year (five public years of irradiance; what a panel that lies flat gets is steadier). A plant's stop
# darkens no sky; snow does.
SOURCES = {
    "light-outdoor": Source(0.45, 0.25, 0.25, 60.0, 0.9, 0.5, 0.5, 0.5, daylight=1.0, poor=0.14, stops=0.002),
    "light-indoor": Source(0.25, 0.3, 0.3, 180.0, 0.7, 0.0, 0.0, 0.15, daylight=0.3),
    "vibration": Source(0.2, 0.3, 0.3, 180.0, 0.6, 0.0, 0.0, 0.05),
    "thermal": Source(0.2, 0.4, 0.3, 180.0, 0.6, 0.0, 0.0, 0.3),
    "radio": Source(0.3, 0.3, 0.25, 180.0, 0.5, 0.0, 0.5, 0.5, left=0.15, left_sd=0.15),
    "other": Source(0.3, 0.3, 0.25, 180.0, 0.5, 0.0, 0.0, 0.3, left=0.15, left_sd=0.15),
    "none": Source(0.0, 0.0, 0.0, 180.0, 0.0),
}
