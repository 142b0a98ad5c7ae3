"""Whisper in JAX, as much as training needs: the ggml file, its tokens, the log-mel picture, encoder and decoder.

Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision", arXiv 2212.04356. The thin matrices that are
trained: Hu et al., "LoRA", arXiv 2106.09685.
"""
import re
import struct

import jax
import jax.numpy as jnp
import numpy as np

WIDTH, HEADS, LAYERS = 384, 6, 4  # tiny.en
START, NO_TIMES, END = 50257, 50362, 50256
WINDOW = np.hanning(401)[:400].astype(np.float32)


class Model:
    """A ggml Whisper file: weights by name, mel filters, tokens."""

    def __init__(self, path):
        data, at = open(path, "rb").read(), 4 + 44
        mels, bins = struct.unpack_from("<2i", data, at)
        self.filters = np.frombuffer(data, "<f4", mels * bins, at + 8).reshape(mels, bins)
        at += 8 + 4 * mels * bins
        (count,), at = struct.unpack_from("<i", data, at), at + 4
        self.tokens = []
        for _ in range(count):
            (length,) = struct.unpack_from("<i", data, at)
            self.tokens.append(data[at + 4: at + 4 + length])
            at += 4 + length
        self.weights = {}
        while at < len(data):
            rank, name_length, kind = struct.unpack_from("<3i", data, at)
            shape = struct.unpack_from(f"<{rank}i", data, at + 12)[::-1]
            at += 12 + 4 * rank
            name, at = data[at: at + name_length].decode(), at + name_length
            dtype, size = ("<f4", 4) if kind == 0 else ("<f2", 2)
            values = int(np.prod(shape))
            self.weights[name] = np.frombuffer(data, dtype, values, at).reshape(shape).astype(np.float32)
            at += values * size


class Tokenizer:
    """GPT-2's byte pairs: the lower a token's number, the earlier its pair is joined."""
    PIECES = re.compile(r"'s|'t|'re|'ve|'m|'ll|'d| ?[A-Za-z]+| ?[0-9]+| ?[^\sA-Za-z0-9]+|\s+")

    def __init__(self, tokens):
        self.rank = {token: number for number, token in enumerate(tokens[:END])}

    def encode(self, text):
        return [number for piece in self.PIECES.findall(text) for number in self.join(piece.encode())]

    def join(self, piece):
        parts = [piece[i: i + 1] for i in range(len(piece))]
        while True:
            pairs = [(self.rank[a + b], i) for i, (a, b) in enumerate(zip(parts, parts[1:])) if a + b in self.rank]
            if not pairs:
                return [self.rank[part] for part in parts]
            _, i = min(pairs)
            parts[i: i + 2] = [parts[i] + parts[i + 1]]


def picture(sound, filters, frames):
    """The log-mel picture of `sound` and the silence behind it, as whisper.cpp makes it; `frames` columns of 10 ms."""
    sound = np.concatenate([sound[1:201][::-1], sound, np.zeros(max(0, frames * 160 + 400 - len(sound)), np.float32)])
    pieces = np.lib.stride_tricks.sliding_window_view(sound, 400)[::160][:frames] * WINDOW
    power = np.abs(np.fft.rfft(pieces, axis=1)).astype(np.float32) ** 2
    log = np.log10(np.maximum(power @ filters.T, 1e-10))
    return ((np.maximum(log, log.max() - 8.0) + 4) / 4).T


def layers_of(weights):
    """Weights as the functions below take them: a list of layers each side, and the rest."""
    def side(name):
        return [{n.split(f"{name}.blocks.{i}.")[1]: v for n, v in weights.items() if n.startswith(f"{name}.blocks.{i}.")}
                for i in range(LAYERS)]
    return {"encoder": side("encoder"), "decoder": side("decoder"),
            "rest": {n: v for n, v in weights.items() if ".blocks." not in n}}


def thin(weights, rank, rng):
    """Thin matrices for every matrix of every layer; their product is zero at first."""
    def of(layer):
        return {n.removesuffix(".weight"): {"a": (rng.standard_normal((rank, w.shape[1])) / np.sqrt(w.shape[1])).astype(np.float32),
                                            "b": np.zeros((w.shape[0], rank), np.float32)}
                for n, w in layer.items() if n.endswith(".weight") and w.ndim == 2}
    layers = layers_of(weights)
    return {side: [of(layer) for layer in layers[side]] for side in ("encoder", "decoder")}


def normed(p, name, x):
    mean = x.mean(-1, keepdims=True)
    spread = ((x - mean) ** 2).mean(-1, keepdims=True)
    return (x - mean) * jax.lax.rsqrt(spread + 1e-5) * p[name + ".weight"] + p[name + ".bias"]


def linear(p, t, name, x):
    y = x @ p[name + ".weight"].T + (x @ t[name]["a"].T) @ t[name]["b"].T
    return y + p[name + ".bias"] if name + ".bias" in p else y


def attention(p, t, name, x, over, mask):
    batch, size = x.shape[0], WIDTH // HEADS

    def heads(y):
        return y.reshape(batch, -1, HEADS, size).transpose(0, 2, 1, 3).reshape(batch * HEADS, -1, size)
    query = heads(linear(p, t, name + ".query", x) * size**-0.5)
    weights = query @ heads(linear(p, t, name + ".key", over)).transpose(0, 2, 1)
    if mask is not None:
        weights = weights + mask
    y = jax.nn.softmax(weights, -1) @ heads(linear(p, t, name + ".value", over))
    y = y.reshape(batch, HEADS, -1, size).transpose(0, 2, 1, 3).reshape(batch, -1, WIDTH)
    return linear(p, t, name + ".out", y)


def layer(p, t, x, sound, mask):
    h = normed(p, "attn_ln", x)
    x = x + attention(p, t, "attn", h, h, mask)
    if sound is not None:
        x = x + attention(p, t, "cross_attn", normed(p, "cross_attn_ln", x), sound, None)
    h = jax.nn.gelu(linear(p, t, "mlp.0", normed(p, "mlp_ln", x)), approximate=True)
    return x + linear(p, t, "mlp.2", h)


def convolved(p, name, x, stride):
    y = jax.lax.conv_general_dilated(x, p[name + ".weight"], (stride,), [(1, 1)], dimension_numbers=("NCH", "OIH", "NCH"))
    return jax.nn.gelu(y + p[name + ".bias"].reshape(1, -1, 1), approximate=True)


def encode(p, t, pictures):
    rest = p["rest"]
    x = convolved(rest, "encoder.conv2", convolved(rest, "encoder.conv1", pictures, 1), 2).transpose(0, 2, 1)
    x = x + rest["encoder.positional_embedding"][: x.shape[1]]
    for weights, tuned in zip(p["encoder"], t["encoder"]):
        x = layer(weights, tuned, x, None, None)
    return normed(rest, "encoder.ln_post", x)


def logits(p, t, tokens, sound):
    rest, length = p["rest"], tokens.shape[1]
    x = rest["decoder.token_embedding.weight"][tokens] + rest["decoder.positional_embedding"][:length]
    mask = jnp.where(jnp.tril(jnp.ones((length, length), bool)), 0.0, -1e9)
    for weights, tuned in zip(p["decoder"], t["decoder"]):
        x = layer(weights, tuned, x, sound, mask)
    return normed(rest, "decoder.ln", x) @ rest["decoder.token_embedding.weight"].T
