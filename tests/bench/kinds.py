"""Kinds of rig beside the one of the example: edits of a bench folder, made before the bench draws its truth.

Each value is that of an invented rig of common size (common practice, no source)."""
import re


def set_key(path, section, key, value):
    """Set a key in its section; a key that is not there is added."""
    text = path.read_text()
    head = re.search(rf"(?m)^\[{section}\] *$", text)
    assert head, f"{path.name} has no [{section}]"
    end = re.search(r"(?m)^\[", text[head.end():])
    end = head.end() + end.start() if end else len(text)
    body, n = re.subn(rf"(?m)^{key} *=.*$", f"{key} = {value}", text[head.end():end])
    if n == 0:
        body = f"\n{key} = {value}{body}"
    path.write_text(text[:head.end()] + body + text[end:])


def hysteresis_brake(folder):
    """A hysteresis brake: even torque without powder, little drag, remanence, and poles that freeze into the rotor."""
    set_key(folder / "rig.ini", "brake", "kind", "hysteresis")
    for key, value in {"curvature": "1.4", "memory": "0.02", "memory_reach": "0.25", "drag": "0.2 N.m ± 10 % normal",
                       "breakaway": "1.02", "lag": "20 ms", "run_in": "0", "uneven": "0.001", "uneven_turn": "0.001",
                       "uneven_stood": "0", "eddy": "0.15 N.m.s/rad", "cogging": "0.04", "cogging_turns": "0.3",
                       "cogging_fade": "6"}.items():
        set_key(folder / "virtual.ini", "brake", key, value)


def tooth_sensor(folder):
    """One sensor on a wheel of 60 teeth: no direction, few pulses."""
    set_key(folder / "rig.ini", "pickup", "pulses", "60")
    for key, value in {"single": "1", "jitter": "10 us", "wobble": "0.02", "uneven": "0.02"}.items():
        set_key(folder / "virtual.ini", "pickup", key, value)


BRAKES = {"powder": lambda folder: None, "hysteresis": hysteresis_brake}
PICKUPS = {"quad": lambda folder: None, "tooth": tooth_sensor}


def edit(brake="powder", pickup="quad"):
    """One edit for harness.Bench."""
    def do(folder):
        BRAKES[brake](folder)
        PICKUPS[pickup](folder)
    return do
