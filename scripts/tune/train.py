#!/usr/bin/env python3
"""Trains thin matrices beside the weights of tiny.en on crew talk.

usage: train.py MODEL.bin SPEECH.pickle OUT.safetensors [--steps N] [--rate R] [--from OLD.safetensors]

Windows are as short as the recogniser makes them. One sound in fourteen holds no words. Not repeatable to the last bit: the
sums depend on the machine.
"""
import argparse
import pickle
import queue
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import jax
import jax.numpy as jnp
import numpy as np
import optax
from safetensors.numpy import load_file, save_file

import whisper
from noise import RATE, Noise

RANK, BATCH = 16, 6
# Columns of the picture and tokens, so that few shapes are compiled.
SHAPES = ((336, 20), (448, 24), (640, 32), (896, 48))
# Units of the encoder's window beyond the sound: as in src/shell/recognise/engine.rs.
MARGIN = 64
WORDLESS = 0.07


def batches(model, speech, seed, out):
    tokenizer, noise = whisper.Tokenizer(model.tokens), Noise(speech, seed)

    def item():
        if noise.chance(WORDLESS):
            return noise.alone(), []
        sound, written = speech[noise.rng.integers(len(speech))]
        return noise.over(sound), tokenizer.encode(" " + written)
    while True:
        pool = sorted((item() for _ in range(BATCH * 10)), key=lambda pair: len(pair[0]))
        starts = list(range(0, len(pool), BATCH))
        noise.rng.shuffle(starts)
        for start in starts:
            batch = batch_of(model, pool[start: start + BATCH])
            if batch is not None:
                out.put(batch)


def batch_of(model, pairs):
    frames = 2 * (max(len(sound) for sound, _ in pairs) * 50 // RATE + MARGIN)
    length = max(len(tokens) for _, tokens in pairs) + 3
    shape = next((s for s in SHAPES if s[0] >= frames and s[1] >= length), None)
    if shape is None:
        return None
    pictures = np.stack([whisper.picture(sound, model.filters, shape[0]) for sound, _ in pairs]).astype(np.float32)
    given = np.full((len(pairs), shape[1]), whisper.END, np.int32)
    wanted, counts = given.copy(), np.zeros(given.shape, np.float32)
    for i, (_, tokens) in enumerate(pairs):
        given[i, : len(tokens) + 2] = [whisper.START, whisper.NO_TIMES, *tokens]
        wanted[i, 1: len(tokens) + 2] = [*tokens, whisper.END]
        counts[i, 1: len(tokens) + 2] = 1
    return pictures, given, wanted, counts


def loss(tuned, weights, pictures, given, wanted, counts):
    scores = jax.nn.log_softmax(whisper.logits(weights, tuned, given, whisper.encode(weights, tuned, pictures)), -1)
    return -(jnp.take_along_axis(scores, wanted[..., None], -1)[..., 0] * counts).sum() / counts.sum()


def name_of(side, number, matrix):
    return f"{side}.blocks.{number}.{matrix}"


def save(tuned, path):
    flat = {f"{name_of(side, i, matrix)}.{part}": np.asarray(value).astype(np.float16)
            for side, layers in tuned.items() for i, layer in enumerate(layers)
            for matrix, parts in layer.items() for part, value in parts.items()}
    save_file(flat, path, {"model": "tiny.en", "made_by": "scripts/tune.sh"})


def load(tuned, path):
    flat = load_file(path)
    return {side: [{matrix: {part: flat[f"{name_of(side, i, matrix)}.{part}"].astype(np.float32) for part in parts}
                    for matrix, parts in layer.items()} for i, layer in enumerate(layers)] for side, layers in tuned.items()}


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("model")
    ask.add_argument("speech")
    ask.add_argument("out")
    ask.add_argument("--steps", type=int, default=1000)
    ask.add_argument("--rate", type=float, default=1.5e-3, help="of learning, at its highest")
    ask.add_argument("--from", dest="old", help="goes on from these; give another --seed than they had")
    ask.add_argument("--seed", type=int, default=5, help="of what is drawn and of its noise")
    args = ask.parse_args()
    model = whisper.Model(args.model)
    with open(args.speech, "rb") as file:
        speech = pickle.load(file)
    tuned = whisper.thin(model.weights, RANK, np.random.default_rng(5))
    if args.old:
        tuned = load(tuned, args.old)
    weights = jax.tree.map(jnp.asarray, whisper.layers_of(model.weights))
    plan = optax.warmup_cosine_decay_schedule(0, args.rate, min(40, args.steps // 4), args.steps, args.rate * 0.05)
    rule = optax.chain(optax.clip_by_global_norm(1.0), optax.adamw(plan, weight_decay=0.0))
    state, gradient = rule.init(tuned), jax.jit(jax.value_and_grad(loss))

    @jax.jit
    def update(tuned, state, one, other):
        step, state = rule.update(jax.tree.map(lambda a, b: (a + b) / 2, one, other), state, tuned)
        return optax.apply_updates(tuned, step), state

    def half(batch):
        return jax.block_until_ready(gradient(tuned, weights, *batch))
    ready = queue.Queue(6)
    threading.Thread(target=batches, args=(model, speech, args.seed, ready), daemon=True).start()
    begun, mean = time.time(), None
    with ThreadPoolExecutor(2) as pool:
        for step in range(1, args.steps + 1):
            (one, g), (other, h) = pool.map(half, [ready.get(), ready.get()])
            tuned, state = update(tuned, state, g, h)
            now = float(one + other) / 2
            mean = now if mean is None else 0.97 * mean + 0.03 * now
            if step % 20 == 0:
                left = (time.time() - begun) / step * (args.steps - step) / 60
                print(f"tune: step {step} of {args.steps}, loss {mean:.3f}, {left:.0f} minutes left", flush=True)
            if step % 100 == 0 or step == args.steps:
                save(tuned, args.out)


if __name__ == "__main__":
    main()
