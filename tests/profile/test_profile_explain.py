"""The profile in words: the figures in the text against closed forms worked out here."""

import math
import re

import pytest

from flatten.profile import Profile, explain, starter_text

STARTER = Profile.parse(starter_text(), "rover.yaml")


def words(profile=STARTER):
    return re.sub(r"\s+", " ", explain(profile))


def numbers_after(text, lead, count):
    return [float(found) for found in re.findall(r"-?\d+\.?\d*", text.split(lead, 1)[1])[:count]]


def test_width_of_a_bin():
    # spacing r·Δθ: computed; 0.25 deg at 10 m is 43.6 mm
    assert "0.25°" in words()
    assert "43.6 mm at 10 m" in words()
    for r in (5, 10, 25):
        assert f"{1e3 * r * 2 * math.pi / 1440:.1f} mm at {r} m" in words()
    # 30 m at 1 deg is 524 mm, so 25 m is 436.3 mm
    assert "436.3 mm at 25 m" in words(Profile.parse(starter_text(), overrides={"fan.bins": 360}))


def test_bodies_fill_a_bin_out_to_their_width_over_the_angle():
    # Ø70 × 400 mm upright, Ø200 × 600 mm lying: ISO 3691-4, from memory; distance = width/Δθ
    step = 2 * math.pi / 1440
    assert numbers_after(words(), "fills a bin's width out to", 1) == [round(0.07 / step, 1)]
    assert numbers_after(words(), "one of 200 mm out to", 1) == [round(0.2 / step, 1)]


def test_the_axis_meets_the_floor_at_h_over_tan():
    assert numbers_after(words(), "pitched 12° down, meets the floor", 1) == [
        round(0.61 / math.tan(math.radians(12)), 2)
    ]


def test_a_tilted_level_beam_meets_the_floor_at_h_over_tan():
    # h/tan: 0.5 m at 1 / 2 / 5 deg is 28.64 / 14.32 / 5.72 m
    text = words(Profile.parse(starter_text(), overrides={"mount.z": 0.5}))
    assert "meets the floor (h/tan) at 1°: 28.64 m, 2°: 14.32 m, 5°: 5.72 m" in text
    # height error of a tilt, r·tan δ: 10 m, 1 deg is 0.175 m
    assert "tilt of 1°: 0.175 m" in text


@pytest.mark.parametrize("pitch", [0, -5])
def test_an_axis_that_does_not_point_down_meets_no_floor(pitch):
    text = words(Profile.parse(starter_text(), overrides={"mount.pitch": pitch}))
    assert "does not point down and meets no floor" in text


def test_the_floor_enters_a_slice_at_its_bottom_over_tan():
    # the seeming floor r·tan δ meets bottom + rise·r at bottom / (tan δ − rise)
    tans = [math.tan(math.radians(tilt)) for tilt in (1, 2, 5)]
    expected = ", ".join(f"{tilt}°: {0.08 / tan:.2f} m" for tilt, tan in zip((1, 2, 5), tans, strict=True))
    assert expected in words()
    # 1.2 m over tan 1° and 2° is 68.7 and 34.4 m: beyond 25 m; 13.72 m for 5°
    assert "1°: 68.75 m (beyond the reach), 2°: 34.36 m (beyond the reach), 5°: 13.72 m" in words()
    raised = words(Profile.parse(starter_text(), overrides={"slices.drive.rise": 0.02}))
    # tan 1° = 0.0175 is less than the rise; tan 2° = 0.0349, tan 5° = 0.0875
    assert f"1°: never, 2°: {0.08 / (tans[1] - 0.02):.2f} m, 5°: {0.08 / (tans[2] - 0.02):.2f} m" in raised
    sunk = words(Profile.parse(starter_text(), overrides={"slices.drive.bottom": -0.01}))
    assert "1°: 0.00 m, 2°: 0.00 m, 5°: 0.00 m" in sunk


def seen(profile, name):
    block = explain(profile).split(f"Slice {name}\n", 1)[1].split("\n\n", 1)[0]
    rows = [re.split(r"\s{2,}", row.strip()) for row in block.splitlines() if row.startswith("      ")]
    return {row[0]: row[-1] for row in rows if len(row) >= 2}


def test_what_a_slice_sees_of_known_heights():
    # kerb 0.10 m: county kerbing guide; pallet 0.144 m: EN 13698-1; table top 0.71 to 0.865 m: ADA/ABA 902.3;
    # door head 2.03 m: guide to ADA 404.2.3; test bodies 0.2 and 0.4 m: ISO 3691-4, from memory
    drive = seen(STARTER, "drive")
    assert drive["kerb"] == "seen, 0.02 m of it"
    assert drive["pallet"] == "seen, 0.064 m of it"
    assert drive["lying test body"] == "seen, 0.12 m of it"
    assert drive["upright test body"] == "seen, 0.32 m of it"
    assert drive["table top"] == "seen"
    assert drive["door head"] == "not seen, above the slice"
    walls = seen(STARTER, "walls")
    assert set(walls.values()) == {"not seen, below the slice", "not seen, above the slice"}


def test_what_a_rising_or_a_cut_slice_sees():
    overrides = {"slices.drive": {"bottom": 0.04, "top": 0.8, "rise": 0.01}}
    drive = seen(Profile.parse(starter_text(), overrides=overrides), "drive")
    # the bottom reaches 0.10 m at (0.10 − 0.04) / 0.01 = 6 m
    assert drive["kerb"] == "seen, 0.06 m of it, out to 6.0 m"
    assert drive["table top"] == ("seen only if its edge lies between 0.71 and 0.8 m, out to 76.0 m")
    high = {"slices.drive": {"bottom": 2.0, "top": 2.2}}
    assert (
        seen(Profile.parse(starter_text(), overrides=high), "drive")["door head"] == "seen, its lowest 0.17 m"
    )


def test_volumes_of_the_blind_zones():
    text = words()
    assert f"{0.96 * 0.72 * 0.5:.3g} m³" in text  # box
    assert f"{math.pi * 0.6**2 * 20 / 360 * 0.9:.3g} m³" in text  # sector of 20 deg
    assert f"{math.pi * 0.06**2 * 0.4:.3g} m³" in text  # cylinder
    endless = Profile.parse(
        starter_text(), overrides={"blind_zones[1].sector": {"first": 0, "last": 90, "near": 1, "far": 2}}
    )
    assert f"every height; {math.pi * (4 - 1) / 4:.3g} m² of ground" in words(endless)


def test_the_angles_that_clear_asks_for():
    # from 0.61 m high, 1.5 m away: heights 0.08 and 0.48 m
    low, high = (math.degrees(math.atan((z - 0.61) / 1.5)) for z in (0.08, 0.48))
    assert f"between {low:+.1f}° and {high:+.1f}° from level" in words()
    assert "stays UNSEEN" in words(Profile.parse(starter_text(), overrides={"clear": "off"}))


def test_level_floor_window_and_health_in_words():
    overrides = {
        "level": "floor", "floor": {"slope": 15, "memory": 2}, "slices.drive.drops": True,
        "window": {"seconds": 0.5}, "health": {"rate": 10, "missing": 0.2, "floor_tilt": 3},
    }  # fmt: skip
    text = words(Profile.parse(starter_text(), overrides=overrides))
    assert "level: floor; heights are measured from the floor fitted to each frame, up to 15° steep" in text
    assert "keeps its floor for 2 s" in text
    assert text.count("edges deeper than 0.06 m are reported as HIT") == 1
    assert "a scan gathers the last 0.5 s; every frame must come with its motion" in text
    assert "rate: 10 Hz; a frame is late after 1.5 periods; up to 20 % of the frames" in text
    assert "more than 0.05 m or 3° off the declared one" in text
    assert "a scan gathers the last 5 frames;" in words(
        Profile.parse(starter_text(), overrides={"window": {"frames": 5}})
    )
    assert "a scan tells of one frame" in words()
    assert "edges deeper" not in words()


def test_it_is_readable_and_complete():
    bare = Profile.parse("slices:\n  drive: {bottom: 0.08, top: 0.95}\n")
    for profile in (STARTER, bare):
        text = explain(profile)
        assert max(map(len, text.splitlines())) <= 100
        for warning in profile.warnings:
            assert warning in words(profile)
        assert "not a personnel-safety device" in text.split("\nCautions\n")[1]
        assert "emergency stop" in text.split("\nCautions\n")[1]
    assert explain(STARTER).startswith("Profile rover.yaml\n")
    assert "at x 0, y 0, z 0 m" in explain(bare)
