"""Dead space before a gas is drawn: what anatomy is expected to hold, and what a filter or a mount adds."""

from __future__ import annotations

from tidebench.formulas._domain import Number, only_where, positive, within


def anatomical_dead_space_ml(weight_kg: Number) -> Number:
    """Expected anatomical dead space [mL]: ``2.2·kg``, weight [kg] above zero. Radford 1955 (secondary).

    In 58 patients weight hardly predicted what was measured: an order of magnitude, not a value.
    """
    return 2.2 * positive("weight_kg", weight_kg, 400.0, unit="kg")


def anatomical_dead_space_by_height_ml(height_cm: Number) -> Number:
    """The same from height [cm, 50 to 250]: ``7.585e-4·h^2.363`` [mL]. Hart 1963, n = 73 (secondary)."""
    volume: Number = 7.585e-4 * within("height_cm", height_cm, 50.0, 250.0, unit="cm") ** 2.363
    return volume


def dead_space_share(tidal_volume_ml: Number, anatomical_ml: Number, instrumental_ml: Number) -> Number:
    """Part of a tidal volume [mL] that reaches no alveolus: ``(VDanat + VDinst)/VT``.

    Above 1 no alveolus is reached by the plain reckoning; small volumes at high rates still exchange some gas.
    """
    spaces = within("anatomical_ml", anatomical_ml, 0.0, unit="mL") + within(
        "instrumental_ml", instrumental_ml, 0.0, unit="mL"
    )
    return spaces / positive("tidal_volume_ml", tidal_volume_ml, unit="mL")


def ventilation_factor(tidal_volume_ml: float, anatomical_ml: float, instrumental_ml: float) -> float:
    """By what the rate has to rise to make up for instrumental dead space: ``(VT − VDanat)/(VT − VDanat − VDinst)``.

    All [mL]; the tidal volume above both spaces together, the same PaCO2 and the same volume. Without the instrument
    it is 1.
    """
    anatomical = within("anatomical_ml", anatomical_ml, 0.0, unit="mL")
    instrumental = within("instrumental_ml", instrumental_ml, 0.0, unit="mL")
    volume = positive("tidal_volume_ml", tidal_volume_ml, unit="mL")
    alveolar = volume - anatomical - instrumental
    only_where(not alveolar <= 0.0, volume, "tidal_volume_ml", "above anatomical and instrumental dead space together")
    return (volume - anatomical) / alveolar
