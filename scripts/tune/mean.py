#!/usr/bin/env python3
"""The mean of two tunings: hears better than either (docs/hearing.md).

usage: mean.py OLD.safetensors NEW.safetensors SHARE OUT.safetensors      (SHARE of the new one, 0 to 1)

It is the mean of what each adds to a matrix, made thin again; what that loses is printed.
"""
import sys

import numpy as np
from safetensors.numpy import load_file, save_file


def thin(added, rank):
    """The two thin matrices whose product is nearest to `added`, and the share of it that they lose."""
    left, sizes, right = np.linalg.svd(added, full_matrices=False)
    root = np.sqrt(sizes[:rank])
    return left[:, :rank] * root, root[:, None] * right[:rank], 1 - (sizes[:rank] ** 2).sum() / (sizes**2).sum()


def main():
    old, new, share = load_file(sys.argv[1]), load_file(sys.argv[2]), float(sys.argv[3])
    out, lost = {}, []
    for name in (key[:-2] for key in old if key.endswith(".a")):
        added = [(of[f"{name}.b"].astype(np.float64) @ of[f"{name}.a"].astype(np.float64)) for of in (old, new)]
        b, a, less = thin((1 - share) * added[0] + share * added[1], len(old[f"{name}.a"]))
        out[f"{name}.a"], out[f"{name}.b"] = (np.ascontiguousarray(part.astype(np.float16)) for part in (a, b))
        lost.append(less)
    save_file(out, sys.argv[4], {"model": "tiny.en", "made_by": "scripts/tune/mean.py"})
    print(f"mean: {100 * np.mean(lost):.1f} % of what both add is lost, {100 * max(lost):.1f} % of a matrix at most")


if __name__ == "__main__":
    main()
