"""Settings for the preparation of one pass."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PassParameters:
    """Settings for one pass; thresholds are own definitions unless a source is named.

    Parameters
    ----------
    edge_m : float
        Stretch at each end of the string that gives the first guess of the background [m].
    least_clean_m : float
        Clean string that an end needs to count as clean, without any noise [m].
    clean_per_noise_m : float
        What it needs more for every percent of noise in a single reading [m]: the noisier the
        reading, the longer a slope may look level.
    guard_m, guard_percent : float
        Stretch kept beyond the outermost deposit on either side, so that faint tails stay: the
        longer of a length [m] and a share of the deposit's width.
    onset_percent : float
        The deposit reaches out to where it falls below this share of its peak, or into the noise.
    core_percent : float
        Deposit is only begun where it stands above this share of the peak.
    noise_multiple : float
        Deposit begins at this many standard deviations of the smoothed noise above the background
        and reaches out to two fifths of that.
    most_drift_percent : float
        A difference between the ends larger than this share of the peak is standing deposit and
        not drift of the instrument.
    least_smoothing_m, most_smoothing_m : float
        Bounds of the smoothing window [m]; between them the window is as short as the noise allows.
    noise_target_percent : float
        Noise that smoothing should leave, as a share of the peak.
    standing_percent : float
        Deposit still standing at an end above this share of the peak makes the string too short.
    saturated_percent : float
        Saturated readings above this share of the deposit's width make the pass suspect.
    dropout_percent : float
        Dropouts above this share of the deposit's width make the pass suspect.
    dropout_shoulder_percent : float
        The deposit on both sides of a dropout stands above this share of the peak.
    dropout_step_m : float
        A dropout falls and returns within this length [m].
    dropout_longest_m : float
        A run at the background that is longer than this may be string without deposit [m].
    unclear_percent : float
        With no clean end, readings at the ends above this share of the highest reading may be
        deposit as well as background.
    collector_step_m : float
        Readings at even steps from this on [m] are those of separate collectors, not of a string.
        Own definition: strings are read every few centimetres to 0.3 m (from memory), stakes and
        cards stand 5 ft and more apart.
    one_side_warning_percent, one_side_percent : float
        More than these shares of the deposit on one side of the flight line get a warning and
        make the pass suspect.
    """

    edge_m: float = 0.5
    least_clean_m: float = 0.5
    clean_per_noise_m: float = 0.15
    guard_m: float = 1.0
    guard_percent: float = 10.0
    onset_percent: float = 0.1
    core_percent: float = 3.0
    noise_multiple: float = 5.0
    most_drift_percent: float = 35.0
    least_smoothing_m: float = 0.0
    most_smoothing_m: float = 2.5
    noise_target_percent: float = 1.0
    standing_percent: float = 5.0
    saturated_percent: float = 2.0
    dropout_percent: float = 3.0
    dropout_shoulder_percent: float = 15.0
    dropout_step_m: float = 0.6
    dropout_longest_m: float = 1.5
    unclear_percent: float = 10.0
    collector_step_m: float = 1.2
    one_side_warning_percent: float = 70.0
    one_side_percent: float = 80.0
