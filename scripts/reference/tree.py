#!/usr/bin/env python3
"""Values of scikit-learn and statsmodels for the tests of the tree.

usage: tree.py OUT_DIR   (needs scikit-learn 1.9.1 and statsmodels 0.15.0)

Writes the data sets that scikit-learn ships (BSD licence) as OUT_DIR/datasets/NAME.csv, last column `class`, and
OUT_DIR/tree.json with the values computed from them.
"""
import csv
import json
import os
import sys

import numpy as np
import scipy
import sklearn
import statsmodels
from sklearn import datasets, isotonic, linear_model, metrics
from sklearn.calibration import _SigmoidCalibration
from sklearn.tree import DecisionTreeClassifier
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.proportion import proportion_confint

SETS = {
    "iris": datasets.load_iris,
    "wine": datasets.load_wine,
    "breast_cancer": datasets.load_breast_cancer,
    "digits": datasets.load_digits,
}


def tree_values(x, y):
    stump = DecisionTreeClassifier(random_state=0, max_depth=1).fit(x, y)
    three = DecisionTreeClassifier(random_state=0, max_depth=3).fit(x, y)
    full = DecisionTreeClassifier(random_state=0, min_samples_leaf=5).fit(x, y)
    path = full.cost_complexity_pruning_path(x, y)
    alphas = path.ccp_alphas
    picked = sorted({alphas[len(alphas) // 2], alphas[-3], alphas[-2]})
    sizes = [
        [float(a), int(DecisionTreeClassifier(random_state=0, min_samples_leaf=5, ccp_alpha=a * 1.001 + 1e-9).fit(x, y).get_n_leaves())]
        for a in picked
    ]
    return {
        "root_gini": float(stump.tree_.impurity[0]),
        "stump_feature": int(stump.tree_.feature[0]),
        "stump_threshold": float(stump.tree_.threshold[0]),
        "stump_right": int((stump.predict(x) == y).sum()),
        "depth3_right": int((three.predict(x) == y).sum()),
        "depth3_confusion": metrics.confusion_matrix(y, three.predict(x)).tolist(),
        "leaf5_alphas_last": [float(a) for a in alphas[-4:]],
        "leaf5_leaves_at_alpha": sizes,
    }


def agreement_values():
    truth = np.repeat([0, 0, 1, 1], [188, 24, 12, 345])
    said = np.repeat([0, 1, 0, 1], [188, 24, 12, 345])
    kappa = cohens_kappa(metrics.confusion_matrix(truth, said))
    return {
        "confusion": [[188, 24], [12, 345]],
        "kappa": float(metrics.cohen_kappa_score(truth, said)),
        "kappa_statsmodels": float(kappa.kappa),
        "balanced_accuracy": float(metrics.balanced_accuracy_score(truth, said)),
        "sensitivity": float(metrics.recall_score(truth, said, pos_label=0)),
        "specificity": float(metrics.recall_score(truth, said, pos_label=1)),
        "sensitivity_wilson": list(map(float, proportion_confint(188, 212, method="wilson"))),
        "specificity_wilson": list(map(float, proportion_confint(345, 357, method="wilson"))),
    }


def calibration_values():
    rng = np.random.default_rng(7)
    p = np.round(rng.uniform(0.02, 0.98, 200), 4)
    y = (rng.uniform(size=200) < p**1.5).astype(int)
    logit = np.log(p / (1 - p))
    fit = linear_model.LogisticRegression(C=1e12, tol=1e-12, max_iter=10000).fit(logit[:, None], y)
    bins = np.minimum((p * 10).astype(int), 9)
    ece = sum(abs(p[bins == b].mean() - y[bins == b].mean()) * (bins == b).mean() for b in range(10) if (bins == b).any())
    iso = isotonic.IsotonicRegression().fit(p, y)
    # p = 1 / (1 + exp(a f + b)): slope -a, intercept -b of the log odds.
    platt = [_SigmoidCalibration().fit(logit[:n], y[:n]) for n in (len(y), 12)]
    return {
        "platt": [float(-platt[0].a_), float(-platt[0].b_)],
        "platt_of_twelve": [float(-platt[1].a_), float(-platt[1].b_)],
        "p": p.tolist(),
        "sheared": y.tolist(),
        "slope": float(fit.coef_[0][0]),
        "intercept": float(fit.intercept_[0]),
        "ece10": float(ece),
        "brier": float(metrics.brier_score_loss(y, p)),
        "log_loss": float(metrics.log_loss(y, p)),
        "isotonic_at": [[float(v), float(iso.predict([v])[0])] for v in (0.1, 0.3, 0.5, 0.7, 0.9)],
    }


def main():
    out = sys.argv[1]
    os.makedirs(os.path.join(out, "datasets"), exist_ok=True)
    result = {
        "made_with": {m.__name__: m.__version__ for m in (sklearn, statsmodels, scipy, np)},
        "sets": {},
        "agreement": agreement_values(),
        "calibration": calibration_values(),
    }
    for name, load in SETS.items():
        x, y = load(return_X_y=True)
        with open(os.path.join(out, "datasets", f"{name}.csv"), "w", newline="", encoding="utf-8") as handle:
            writer = csv.writer(handle, lineterminator="\n")
            writer.writerow([f"f{i}" for i in range(x.shape[1])] + ["class"])
            for row, c in zip(x, y):
                writer.writerow([f"{v:g}" if float(f"{v:g}") == v else repr(float(v)) for v in row] + [int(c)])
        result["sets"][name] = tree_values(x, y)
    with open(os.path.join(out, "tree.json"), "w", encoding="utf-8") as handle:
        json.dump(result, handle, indent=1)
        handle.write("\n")


if __name__ == "__main__":
    main()
