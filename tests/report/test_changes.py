"""What changed since the last profile: values, files, and whether both intervals allow it."""

from dataclasses import replace

from hand_made_fits import estimate, measured, quick

from motorfit.report.changes import changes_between


def with_parameter(profile, name, known):
    return replace(profile, parameters={**profile.parameters, name: known})


def with_files(profile, **files):
    return replace(profile, provenance=replace(profile.provenance, files=files))


def resistance(value):
    """A resistance known to 1 %: its interval is the value and 2 % either way."""
    return estimate("armature_resistance", value, 0.01, 0.0)


def test_value_before_and_now_stand_side_by_side():
    profile = with_files(measured().profile, load="sha256:1")
    old = with_parameter(profile, "armature_resistance", resistance(0.86))
    new = with_parameter(profile, "armature_resistance", resistance(0.85))

    changes = changes_between(old, with_files(new, load="sha256:2"))

    assert changes.says() == ("winding resistance 0.860 -> 0.850 ohm: load is changed",)


def test_change_outside_both_intervals_says_so():
    """0.91 +- 0.0182 and 0.85 +- 0.017 have nothing in common; 0.86 +- 0.0172 and 0.85 have."""
    profile = measured().profile
    near, far, now = (
        with_parameter(profile, "armature_resistance", resistance(value))
        for value in (0.86, 0.91, 0.85)
    )

    assert not changes_between(near, now).parameters[0].outside
    assert changes_between(far, now).parameters[0].outside
    assert "further than both intervals allow" in changes_between(far, now).says()[0]


def test_files_that_are_new_changed_and_gone_are_named():
    profile = measured().profile
    old = with_files(profile, load="sha256:1", brake="sha256:2", zero="sha256:3")
    new = with_files(profile, load="sha256:1", brake="sha256:9", resistance="sha256:4")

    assert changes_between(old, new).reason() == (
        "resistance is new, brake is changed, zero is gone"
    )


def test_parameter_that_became_known_is_told():
    """The quick way has no mechanical test; the full bench has: 0.0402 N m."""
    says = changes_between(quick().profile, measured().profile).says()

    assert any(one.startswith("dry friction: not known -> 0.040 N m") for one in says)


def test_parameter_that_is_no_longer_known_is_told():
    says = changes_between(measured().profile, quick().profile).says()

    assert any(one.startswith("dry friction: no longer known") for one in says)


def test_same_profile_has_no_changes():
    profile = measured().profile

    assert changes_between(profile, profile).says() == ()


def test_changes_outside_both_intervals_come_first():
    profile = measured().profile
    old = with_parameter(profile, "emf_constant", estimate("emf_constant", 0.0552, 0.01, 0.0))
    old = with_parameter(old, "armature_resistance", resistance(0.7))

    says = changes_between(old, profile).says()

    assert [one.split()[0] for one in says] == ["winding", "EMF"]


def test_digits_are_those_of_the_better_known_value():
    """2 % of 0.85 ohm leave three digits; 0.2 % of it, now or before, leave four."""
    profile = measured().profile
    rough = with_parameter(profile, "armature_resistance", resistance(0.86))
    fine = estimate("armature_resistance", 0.8512, 0.001, 0.0)
    fine = with_parameter(profile, "armature_resistance", fine)

    assert "0.8600 -> 0.8512 ohm" in changes_between(rough, fine).says()[0]
    assert "0.8512 -> 0.8600 ohm" in changes_between(fine, rough).says()[0]
