"""What lies between a mouth and a microphone, computed: other speakers, rooms, microphones and noises for training.

Every kind is drawn from wide ranges of its own; none is one of the noises that `make eval` measures with.
"""
import numpy as np

RATE = 16_000


class Noise:
    def __init__(self, talk, seed):
        self.talk = talk
        self.rng = np.random.default_rng(seed)

    def chance(self, p):
        return self.rng.random() < p

    def coloured(self, n):
        """Wind, hiss, rumble: noise of any slope, at times in a band, at times swelling."""
        rng = self.rng
        spectrum = np.fft.rfft(rng.standard_normal(n))
        hertz = np.maximum(np.fft.rfftfreq(n, 1 / RATE), 20)
        spectrum *= hertz ** -rng.uniform(0, 1.3)
        if self.chance(0.4):
            low = rng.uniform(50, 1500)
            spectrum *= np.where((hertz > low) & (hertz < low * rng.uniform(2, 12)), 1, 0.1)
        sound = np.fft.irfft(spectrum, n)
        if self.chance(0.5):
            sound *= 1 + rng.uniform(0.2, 0.9) * np.sin(2 * np.pi * rng.uniform(0.2, 3) * np.arange(n) / RATE + rng.uniform(0, 6))
        return sound

    def motor(self, n):
        rng, t = self.rng, np.arange(n) / RATE
        turn = 2 * np.pi * np.cumsum(rng.uniform(18, 110) * (1 + 0.03 * np.sin(2 * np.pi * rng.uniform(0.1, 1) * t))) / RATE
        hum = sum(np.sin(k * turn + rng.uniform(0, 6)) * rng.uniform(0.3, 1) / k ** rng.uniform(0.5, 1.3) for k in range(1, 12))
        rest = self.coloured(n)
        return hum / hum.std() + rng.uniform(0.3, 2) * rest / rest.std()

    def tones(self, n):
        """Sweeps, two tones in turn, beeps."""
        rng, t = self.rng, np.arange(n) / RATE
        kind, low, rate = rng.integers(3), rng.uniform(400, 1200), np.exp(rng.uniform(np.log(0.12), np.log(5)))
        high = rng.uniform(0.2, 0.9) * low
        hertz = [low + high * np.sin(2 * np.pi * rate * t + rng.uniform(0, 6)),
                 np.where((t * rate + rng.uniform(0, 1)) % 1 < 0.5, low, low + high), np.full(n, low)][kind]
        turn = 2 * np.pi * np.cumsum(hertz) / RATE
        sound = np.sin(turn) + rng.uniform(0, 1) * np.sign(np.sin(turn)) + rng.uniform(0, 0.5) * np.sin(2 * turn)
        if kind == 2:
            sound *= (t * rate) % 1 < 0.5
        return sound + 0.05 * rng.standard_normal(n)

    def voices(self, n):
        """One to five others; one or two run backwards, or their words could be written down."""
        rng, count, sound = self.rng, self.rng.integers(1, 6), np.zeros(n)
        for _ in range(count):
            other = self.talk[rng.integers(len(self.talk))][0].astype(np.float32) / 32768
            sound += np.resize(np.roll(other[::-1] if count <= 2 else other, rng.integers(len(other))), n) / (other.std() + 1e-6)
        return sound

    def any(self, n):
        return self.rng.choice([self.coloured, self.motor, self.tones, self.voices], p=[0.3, 0.25, 0.2, 0.25])(n)

    def alone(self):
        """A sound in which nothing is said."""
        sound = self.any(int(self.rng.uniform(0.6, 4) * RATE))
        return (sound / np.abs(sound).max() * self.rng.uniform(0.02, 0.9)).astype(np.float32)

    def over(self, speech):
        """`speech` (16-bit) as it may reach a microphone: another speaker's throat, a room, a noise from as loud to 22 dB below."""
        rng = self.rng
        sound = speech.astype(np.float32) / 32768
        if self.chance(0.6):
            sound = np.interp(np.arange(0, len(sound) - 1, rng.uniform(0.87, 1.15)), np.arange(len(sound)), sound)
        silence = [np.zeros(int(rng.uniform(*span) * RATE)) for span in ((0.05, 0.5), (0.1, 0.6))]
        sound = np.concatenate([silence[0], sound, silence[1]])
        if self.chance(0.5):
            sound = self.through_a_microphone(sound)
        if self.chance(0.2):
            sound = self.in_a_room(sound)
        loud = sound[np.abs(sound) > 0.01]
        if self.chance(0.7) and len(loud):
            noise = self.any(len(sound))
            sound = sound + noise / (noise.std() + 1e-9) * np.sqrt((loud**2).mean()) / 10 ** (rng.uniform(-1, 22) / 20)
        else:
            sound = sound + rng.standard_normal(len(sound)) * 10 ** rng.uniform(-4.5, -2.5)
        return (sound / np.abs(sound).max() * rng.uniform(0.08, 0.95)).astype(np.float32)

    def through_a_microphone(self, sound):
        hertz = np.fft.rfftfreq(len(sound), 1 / RATE)
        gain = np.interp(np.log2(np.maximum(hertz, 60)), np.linspace(np.log2(60), 13, 8), self.rng.uniform(-7, 7, 8))
        return np.fft.irfft(np.fft.rfft(sound) * 10 ** (gain / 20), len(sound))

    def in_a_room(self, sound):
        n = RATE // 2
        room = self.rng.standard_normal(n) * np.exp(-np.arange(n) / (RATE * self.rng.uniform(0.03, 0.25)))
        room[0] = self.rng.uniform(2, 12)
        size = 1 << int(np.ceil(np.log2(len(sound) + n)))
        sound = np.fft.irfft(np.fft.rfft(sound, size) * np.fft.rfft(room, size), size)[: len(sound)]
        return sound / np.abs(sound).max() * 0.5
