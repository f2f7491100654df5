"""The statistics on random inputs, compared with other implementations (numpy, scipy, statsmodels, from PyPI).

    python3 .ci/second_statistics.py [SEED]

Every public function of `src/stats` is here, by a library that has it or by another route to the same number; all must
agree to 1e-9.
"""

import collections
import json
import math
import os
import pathlib
import re
import subprocess
import sys
import tempfile

import environment

LIBRARIES = ["numpy==2.4.6", "scipy==1.17.1", "statsmodels==0.15.0"]
RELATIVE = 1e-9
# For a difference of two numbers near 1 (a small tail, an intercept near zero).
ABSOLUTE = 1e-12
FEWEST_CASES = 150


def infinite(nu):
    """JSON has no infinity; here it is null."""
    return math.inf if nu is None else nu


def distributions():
    import numpy as np
    from scipy import stats
    from scipy.special import betainc
    from statsmodels.stats.proportion import proportion_confint

    def student(nu):
        return stats.norm() if nu is None else stats.t(nu)

    def welch_satterthwaite(u, nu):
        u, nu = np.array(u), np.array([infinite(v) for v in nu])
        spread = np.sum(u**4 / nu)
        effective = np.sum(u**2) ** 2 / spread if spread > 0 else None
        if len(u) == 2 and np.isfinite(nu).all():
            # scipy's own, for means of nu + 1 values.
            welch = stats.ttest_ind_from_stats(
                0, u[0] * np.sqrt(nu[0] + 1), nu[0] + 1, 1, u[1] * np.sqrt(nu[1] + 1), nu[1] + 1, equal_var=False
            )
            return [1 / abs(welch.statistic), effective]
        return [np.linalg.norm(u), effective]

    def conformance_probability(value, u, nu, low, high):
        ends = [-math.inf if low is None else (low - value) / u, math.inf if high is None else (high - value) / u]
        if nu is None:
            return [stats.norm.cdf(ends[1]) - stats.norm.cdf(ends[0])]

        def half(t):
            # Pr(0 < T < t) by the incomplete beta function. Source: Abramowitz and Stegun (1964), 26.7.1.
            inside = 1.0 if math.isinf(t) else betainc(0.5, nu / 2, t * t / (nu + t * t))
            return math.copysign(inside / 2, t)

        return [half(ends[1]) - half(ends[0])]

    def clopper_pearson(k, n, level, sides):
        if n == 0:
            return [0, 1]
        alternative = {"lower": "greater", "upper": "less", "two": "two-sided"}[sides]
        found = stats.binomtest(k, n, 0.5, alternative).proportion_ci(level, "exact")
        return [found.low, found.high]

    return {
        "t_cdf": lambda t, nu: [student(nu).cdf(t)],
        "t_quantile": lambda p, nu: [student(nu).ppf(p)],
        "coverage_factor": lambda coverage, nu: [student(nu).interval(coverage)[1]],
        "welch_satterthwaite": welch_satterthwaite,
        "conformance_probability": conformance_probability,
        "clopper_pearson": clopper_pearson,
        "wilson": lambda k, n, level: proportion_confint(k, n, 1 - level, "wilson"),
        # Trials until the first failure.
        "zero_failure_sample_size": lambda confidence, rate: [stats.geom.isf(1 - confidence, rate)],
    }


def effective_samples(x):
    """`effective_samples` of src/stats/serial.rs, from statsmodels' autocovariances."""
    import numpy as np
    from statsmodels.tsa.stattools import acovf

    x, n = np.array(x), len(x)
    c = acovf(x, adjusted=False, fft=True)
    taken, lags = c[0], 0
    # Var(mean) with autocovariances to lag K, each low by v (1 - k/n) where v is Var(mean) itself: v solves
    # n v = c0 + 2 sum c_k + v (1 + 2 sum (1 - k/n)).
    variance = lambda taken, lags: taken / n / max(
        1 - (1 + 2 * sum(1 - k / n for k in range(1, lags + 1))) / n, 0.05
    )
    # Two counters of the same turns make up for each other from second to second.
    if n > 3 and c[1] < -2 / np.sqrt(n) * c[0]:
        taken = max(c[0] + 2 * c[1], c[0] / 2)
        return float(np.clip(np.var(x, ddof=1) / variance(taken, 1) / (1 + 2 / n), 1, 2 * n))
    for k in range(1, n // 2):
        if c[k] + variance(taken, lags) * (1 - k / n) <= 0:
            break
        taken, lags = taken + 2 * c[k], k
    return float(np.clip(np.var(x, ddof=1) / variance(taken, lags) / (1 + 2 * lags / n), 1, n))


def samples():
    import numpy as np
    import statsmodels.api as sm
    from scipy import stats
    from statsmodels.tsa.stattools import acf

    def limits_of_agreement(x):
        n, mean, sd = len(x), np.mean(x), stats.tstd(x)
        low, high = mean - 1.96 * sd, mean + 1.96 * sd
        around = lambda limit: list(stats.t.interval(0.95, n - 1, limit, np.sqrt(3 * sd**2 / n)))
        return [mean, sd, low, high, *around(low), *around(high)]

    def newey_west(x, lags):
        ones = np.ones(len(x))
        options = {"maxlags": lags, "use_correction": False}
        return sm.OLS(np.array(x), ones).fit(cov_type="HAC", cov_kwds=options).bse

    def ratio(unit, reference):
        unit, reference = np.array(unit), np.array(reference)
        gain = unit.mean() / reference.mean()
        rest = unit - gain * reference
        sd, effective = stats.tstd(rest), effective_samples(rest)
        return [gain, sd / np.sqrt(effective) / reference.mean(), sd, effective, len(unit)]

    return {
        "mean": lambda x: [np.mean(x)],
        "sample_sd": lambda x: [np.std(x, ddof=1)],
        "median": lambda x: [np.median(x)],
        "autocorrelation": lambda x, lag: [acf(x, nlags=len(x) - 1, adjusted=False, fft=False)[lag]],
        "limits_of_agreement": limits_of_agreement,
        "effective_samples": lambda x: [effective_samples(x)],
        "newey_west_mean_se": newey_west,
        "ratio": ratio,
    }


def numbers(intercept, slope, covariance):
    """As `numbers` of tests/second_statistics.rs."""
    import numpy as np

    at = np.array([1, 7.0])
    u = np.sqrt(np.diag(covariance))
    return [intercept, slope, *u, covariance[0][1], intercept + 7 * slope, np.sqrt(at @ covariance @ at)]


def lines():
    import numpy as np
    import statsmodels.api as sm
    from scipy import optimize, stats

    def line_fit(x, y):
        fit = sm.OLS(y, sm.add_constant(np.array(x))).fit()
        return [*numbers(*fit.params, fit.cov_params()), np.sqrt(fit.scale), fit.df_resid]

    def deming(x, y, variance_ratio):
        # Along the direction of most spread, where errors of x and y are alike (principal axes).
        by = np.sqrt(variance_ratio)
        direction = np.linalg.eigh(np.cov(by * np.array(x), y))[1][:, 1]
        slope = by * direction[1] / direction[0]
        return [np.mean(y) - slope * np.mean(x), slope]

    def york(x, y, sx, sy, r):
        # Maximum likelihood over the line and every point's place on it, by least squares on whitened deviations; the
        # line's block of the inverse information is its covariance. Source: Titterington and Halliday (1979), Chem
        # Geol 26:183-195, as cited by York et al. (2004) for the same line and covariance.
        x, y, sx, sy = map(np.array, (x, y, sx, sy))
        n, across = len(x), np.sqrt(1 - r * r)

        def deviations(p):
            dx = (p[2:] - x) / sx
            dy = (p[0] + p[1] * p[2:] - y) / sy
            return np.concatenate([dx, (dy - r * dx) / across])

        def jacobian(p):
            by = np.zeros((2 * n, n + 2))
            by[:n, 2:] = np.diag(1 / sx)
            by[n:, 0], by[n:, 1] = 1 / sy / across, p[2:] / sy / across
            by[n:, 2:] = np.diag((p[1] / sy - r / sx) / across)
            return by

        slope, intercept = np.polyfit(x, y, 1)
        p = optimize.least_squares(deviations, [intercept, slope, *x], jacobian, xtol=1e-15, ftol=1e-15, gtol=1e-15).x
        # A few Newton steps with the whole Hessian of the sum of squares take it to the last digit.
        for _ in range(8):
            j, d = jacobian(p), deviations(p)
            hessian = j.T @ j
            bent = d[n:] / sy / across
            hessian[1, 2:] += bent
            hessian[2:, 1] += bent
            p = p - np.linalg.solve(hessian, j.T @ d)
        j, d = jacobian(p), deviations(p)
        covariance, mswd = np.linalg.inv(j.T @ j)[:2, :2], d @ d / (n - 2)
        return [*numbers(p[0], p[1], covariance), *numbers(p[0], p[1], covariance * mswd), mswd, n - 2]

    def robust_line(x, y, sigma):
        x, y, sigma = map(np.array, (x, y, sigma))
        start = stats.theilslopes(y, x, method="joint")
        sizes = np.abs(y - start.intercept - start.slope * x) / sigma
        scale = max(1, 1.4826 * np.median(sizes) * np.sqrt(len(x) / max(len(x) - 2, 1)))
        # statsmodels' weight function and weighted least squares.
        bisquare = sm.robust.norms.TukeyBiweight(4.685)
        params = np.array([start.intercept, start.slope])
        for _ in range(5000):
            weights = bisquare.weights((y - params[0] - params[1] * x) / sigma / scale) / sigma**2
            fit = sm.WLS(y, sm.add_constant(x), weights=weights).fit()
            moved, params = np.abs(fit.params - params), fit.params
            if np.all(moved < 1e-13 * np.abs(params)):
                break
        return numbers(*params, fit.normalized_cov_params * scale**2)

    return {"line_fit": line_fit, "deming": deming, "york": york, "robust_line": robust_line}


def several():
    import numpy as np
    import statsmodels.api as sm
    from scipy import stats
    from statsmodels.stats.meta_analysis import combine_effects

    def weighted_consensus(values, covariance):
        fit = sm.GLS(values, np.ones(len(values)), sigma=np.array(covariance)).fit()
        dof = len(values) - 1
        chi2 = fit.scale * dof
        return [fit.params[0], np.sqrt(fit.normalized_cov_params[0, 0]), chi2, dof, stats.chi2.sf(chi2, dof)]

    def one_way_anova(groups):
        # The model with a mean for each group against that with one for all.
        y = np.concatenate(groups)
        which = np.concatenate([np.full(len(g), i) for i, g in enumerate(groups)])
        fit = sm.OLS(y - y[0], (which[:, None] == np.arange(len(groups))).astype(float)).fit()
        f, p = stats.f_oneway(*groups)
        return [fit.centered_tss - fit.ssr, len(groups) - 1, fit.ssr, fit.df_resid, f, p]

    def repeatability_reproducibility(cells):
        # ISO 5725-2, 7.4.5, from the cells' means and variances.
        n, mean = np.array([len(c) for c in cells]), np.array([np.mean(c) for c in cells])
        repeatability = np.average([np.var(c, ddof=1) for c in cells], weights=n - 1)
        overall = np.average(mean, weights=n)
        of_means = np.sum(n * (mean - overall) ** 2) / (len(cells) - 1)
        size = (n.sum() - np.sum(n**2) / n.sum()) / (len(cells) - 1)
        between = max(0, (of_means - repeatability) / size)
        return [overall, np.sqrt(repeatability), between, np.sqrt(repeatability + between)]

    def dersimonian_laird(values, variances):
        # Q is a difference of squares there, which keeps its digits near zero.
        # It leaves a negative variance as it is; the estimator sets it to 0.
        with np.errstate(invalid="ignore"):
            found = combine_effects(np.array(values) - values[0], np.array(variances), method_re="dl")
        tau2 = max(0, found.tau2)
        weights = 1 / (np.array(variances) + tau2)
        mean = np.average(values, weights=weights)
        dof = len(values) - 1
        return [mean, weights.sum() ** -0.5, tau2, found.q, dof, stats.chi2.sf(found.q, dof)]

    def grubbs_three(x):
        x = np.array(x)
        shared = lambda i, j, k: np.cov(x[i] - x[j], x[i] - x[k])[0, 1]
        return [shared(0, 1, 2), shared(1, 0, 2), shared(2, 0, 1)]

    return {
        "e_n": lambda x, u, r, u_r: [(x - r) / np.linalg.norm([u, u_r])],
        "birge_ratio": lambda chi2, dof: [np.sqrt(chi2 / dof)],
        "weighted_consensus": weighted_consensus,
        "inverse": lambda matrix: np.linalg.inv(matrix).ravel(),
        "grubbs_three": grubbs_three,
        "one_way_anova": one_way_anova,
        "repeatability_reproducibility": repeatability_reproducibility,
        "dersimonian_laird": dersimonian_laird,
    }


def components():
    import itertools

    import numpy as np
    import statsmodels.api as sm
    from scipy import optimize, stats
    from scipy.special import comb
    from statsmodels.stats.meta_analysis import combine_effects
    from statsmodels.stats.multitest import multipletests

    def variance_interval(mean_square, dof, level):
        # Of the reciprocal: a gamma variable.
        low, high = stats.gamma(dof / 2, scale=2 / dof).interval(level)
        return [mean_square / high, mean_square / low]

    def variance_components(cells, level):
        n = np.array([len(c) for c in cells])
        m, size, tail = len(cells), stats.hmean(n), (1 - level) / 2
        within = np.sum([np.var(c) * len(c) for c in cells]) / (n.sum() - m)
        between = size * np.var([np.mean(c) for c in cells], ddof=1)
        f, p = stats.f_oneway(*cells)
        a, b = m - 1, int(n.sum()) - m
        # Of infinitely many degrees of freedom: a gamma variable; F by the beta variable beneath it.
        gamma = lambda q, dof: stats.gamma.ppf(q, dof / 2, scale=2 / dof)

        def f_point(q):
            x = stats.beta.ppf(q, a / 2, b / 2)
            return b * x / (a * (1 - x))

        g1, g2 = (1 - 1 / gamma(1 - tail, dof) for dof in (a, b))
        h1, h2 = (1 / gamma(tail, dof) - 1 for dof in (a, b))
        up, down = f_point(1 - tail), f_point(tail)
        # At an F of `up` (or `down`) the lower (upper) limit is 0, which is what the cross terms are made for.
        g12 = ((up - 1) ** 2 - g1**2 * up**2 - h2**2) / up
        h12 = ((1 - down) ** 2 - h1**2 * down**2 - g2**2) / down
        spread = lambda x, y, xy: max(0, x**2 * between**2 + y**2 * within**2 + xy * between * within) ** 0.5
        low = (between - within - spread(g1, h2, g12)) / size
        high = (between - within + spread(h1, g2, h12)) / size
        limits = [max(0, low), max(0, high), *variance_interval(within, b, level)]
        return [max(0, (between - within) / size), within, f, a, b, p, *limits]

    def random_effects(values, variances, level):
        y, v = np.array(values), np.array(variances)
        with np.errstate(invalid="ignore"):
            tau2 = max(0, combine_effects(y - y[0], v, method_re="dl").tau2)
        # Weighted least squares with an estimated scale is Hartung and Knapp's.
        fit = sm.WLS(y - y[0], np.ones(len(y)), weights=1 / (v + tau2)).fit()

        def q(t):
            return sm.WLS(y - y[0], np.ones(len(y)), weights=1 / (v + t)).fit().mse_resid * (len(y) - 1)

        def profile(share):
            target = stats.chi2.ppf(share, len(y) - 1)
            if q(0) <= target:
                return 0
            high = 1.0
            while q(high) > target:
                high *= 4
            return optimize.brentq(lambda t: q(t) - target, 0, high, xtol=1e-14, rtol=1e-14)

        dof, tail = len(y) - 1, (1 - level) / 2
        i2 = 100 * max(0, (q(0) - dof) / q(0))
        low, high = fit.conf_int(1 - level)[0] + y[0]
        mean = [fit.params[0] + y[0], fit.bse[0], dof, tau2, q(0), stats.chi2.sf(q(0), dof), i2]
        return [*mean, low, high, profile(1 - tail), profile(tail)]

    def equal_proportions(groups):
        hits, trials = np.array(groups).T
        found = stats.chi2_contingency([hits, trials - hits], correction=False)
        return [found.statistic, found.dof, found.pvalue, found.expected_freq.min()]

    def exact_equal_proportions(groups):
        hits, trials = np.array(groups).T
        rate = hits.sum() / trials.sum()
        chi2 = lambda k: np.sum((k - trials * rate) ** 2 / (trials * rate * (1 - rate)))
        seen, total = chi2(hits), 0
        for k in itertools.product(*(range(n + 1) for n in trials)):
            if sum(k) == hits.sum() and chi2(np.array(k)) >= seen * (1 - 1e-9):
                total += np.prod(comb(trials, k, exact=False))
        return [total / comb(trials.sum(), hits.sum(), exact=True)]

    return {
        "variance_interval": variance_interval,
        "variance_components": variance_components,
        "random_effects": random_effects,
        "equal_proportions": equal_proportions,
        "exact_equal_proportions": exact_equal_proportions,
        "holm": lambda p: multipletests(p, method="holm")[1],
    }


def physics():
    import numpy as np
    from scipy import constants

    def normal_gravity(latitude_deg, height_m):
        # Somigliana by the two axes and the gravity at equator and pole, GRS80 (Moritz 1988, from memory).
        a, b, equator, pole = 6378137.0, 6356752.3141, 9.7803267715, 9.8321863685
        c, s = np.cos(np.radians(latitude_deg)) ** 2, np.sin(np.radians(latitude_deg)) ** 2
        return [(a * equator * c + b * pole * s) / np.sqrt(a * a * c + b * b * s) - 3.086e-6 * height_m]

    return {
        "normal_gravity": normal_gravity,
        "power_from_torque": lambda torque_nm, cadence_rpm: [torque_nm * np.radians(6 * cadence_rpm)],
        "hanging_mass_torque": lambda mass_kg, gravity, length_m, angle_deg: [
            mass_kg * gravity * length_m * np.sin(angle_deg * constants.degree)
        ],
        "speed_m_s": lambda front, rear, wheel_m, cadence_rpm: [
            wheel_m * cadence_rpm / constants.minute / (rear / front)
        ],
    }


def public_functions():
    """Names that `src/stats` exports; types and constants begin with a capital."""
    exports = re.findall(r"pub use \w+::\{?([^;}]+)\}?;", (environment.ROOT / "src" / "stats" / "mod.rs").read_text())
    return {name.strip() for names in exports for name in names.split(",") if name.strip()[:1].islower()}


def apart(here, there):
    """How far two results differ, in units of what is allowed."""
    if len(here) != len(there):
        return math.inf
    worst = 0.0
    for a, b in zip(here, there):
        if a is None or b is None:
            worst = max(worst, 0.0 if a is b else math.inf)
        else:
            off = abs(a - b) / (RELATIVE * max(abs(a), abs(b)) + ABSOLUTE)
            worst = math.inf if math.isnan(off) else max(worst, off)
    return worst


def main():
    environment.start_again_with("second-statistics", LIBRARIES)
    seed = sys.argv[1] if len(sys.argv) > 1 else "1"
    with tempfile.TemporaryDirectory() as work:
        file = pathlib.Path(work) / "statistics.json"
        test = ["cargo", "test", "--quiet", "--locked", "--test", "cases", "--", "--ignored", "second_statistics::"]
        env = {**os.environ, "ASSIZE_STATISTICS_TO": str(file), "ASSIZE_STATISTICS_SEED": seed}
        subprocess.run(test, cwd=environment.ROOT, check=True, stdout=subprocess.DEVNULL, env=env)
        cases = json.loads(file.read_text())

    there = {**distributions(), **samples(), **lines(), **several(), **components(), **physics()}
    worst, count, problems = collections.defaultdict(float), collections.Counter(), []
    for case in cases:
        name = case["function"]
        result = [None if v is None else float(v) for v in there[name](**case["given"])]
        off = apart(case["result"], result)
        worst[name], count[name] = max(worst[name], off), count[name] + 1
        if off > 1:
            problems.append(f"{name}: {case['result']} here, {result} there, for {json.dumps(case['given'])[:400]}")
    for name in sorted(public_functions() | set(there)):
        print(f"{name}: {count[name]} inputs, furthest apart {worst[name] * RELATIVE:.1e}")
        if count[name] < FEWEST_CASES:
            problems.append(f"{name}: only {count[name]} inputs compared")
    print("\n".join(problems[:20]) or f"all {len(cases)} results agree to {RELATIVE}")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main())
