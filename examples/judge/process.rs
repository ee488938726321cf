//! How strays come: point processes of the simulator's own, with a random stream of its own. Invented data.

/// xoshiro256++, begun by SplitMix64 (Blackman & Vigna 2021, ACM Trans. Math. Softw. 47:36): not the product's generator.
pub(crate) struct Stream([u64; 4]);

impl Stream {
    pub(crate) fn new(seed: u64) -> Self {
        let mut state = seed;
        let mut next = || {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            z ^ (z >> 31)
        };
        Self([next(), next(), next(), next()])
    }

    pub(crate) fn bits(&mut self) -> u64 {
        let s = &mut self.0;
        let out = s[0].wrapping_add(s[3]).rotate_left(23).wrapping_add(s[0]);
        let t = s[1] << 17;
        s[2] ^= s[0];
        s[3] ^= s[1];
        s[1] ^= s[2];
        s[0] ^= s[3];
        s[2] ^= t;
        s[3] = s[3].rotate_left(45);
        out
    }

    /// Uniform in the open interval (0, 1).
    pub(crate) fn unit(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Uniform in the logarithm.
    pub(crate) fn log_between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.unit())
    }

    /// Exponential with mean one.
    pub(crate) fn wait(&mut self) -> f64 {
        -self.unit().ln()
    }

    /// Standard normal by the polar method.
    pub(crate) fn normal(&mut self) -> f64 {
        loop {
            let (a, b) = (2.0 * self.unit() - 1.0, 2.0 * self.unit() - 1.0);
            let square = a * a + b * b;
            if square < 1.0 && square > 0.0 {
                return a * (-2.0 * square.ln() / square).sqrt();
            }
        }
    }
}

/// How strays come.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Process {
    Poisson,
    /// Groups of eight on average, 0.9 s apart with a third of scatter; groups at random.
    Bursts,
    /// Groups of six on average with exponential gaps of 0.9 s: no beat within.
    Flurries,
    /// Gaps of shape 0.4.
    Weibull,
    /// Gaps with survival x^-1.5: a mean, no variance.
    Pareto,
    /// On and off by turns of nearly one length, 20 min together; begun as on begins.
    Warm,
    /// The same, begun as off begins.
    Cold,
    /// The same, begun anywhere.
    Turns,
    /// On and off by chance.
    Chance,
    /// Lognormal gaps, sigma 1.5.
    LogNormal,
    /// Gamma gaps of shape 0.35.
    Gamma,
    /// Log-logistic gaps of shape 1.8: no variance, not Pareto.
    LogLogistic,
    /// A rate that swings by the factor six over 25 min.
    Swing,
    /// A beat of which three in ten are missed.
    Beat,
    /// A quarter of the mean gap is dead time, the rest chance.
    Dead,
}

/// A process with its scale.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Source {
    pub(crate) process: Process,
    /// Mean seconds between episodes; of turns, while on.
    pub(crate) mean: f64,
    /// Length of on and of off, seconds.
    pub(crate) on: f64,
    pub(crate) off: f64,
}

impl Source {
    pub(crate) fn draw(stream: &mut Stream, process: Process, low: f64, high: f64) -> Self {
        let on = 1200.0 * stream.between(0.3, 0.7);
        Self { process, mean: stream.log_between(low, high), on, off: 1200.0 - on }
    }

    /// Times of strays in 0..end.
    pub(crate) fn strays(&self, stream: &mut Stream, end: f64) -> Vec<f64> {
        match self.process {
            Process::Warm | Process::Cold | Process::Turns | Process::Chance => self.turns(stream, end),
            Process::Swing => self.swing(stream, end),
            Process::Bursts => {
                let mut times = Vec::new();
                for start in self.renewal(stream, end) {
                    let mut t = start;
                    times.push(t);
                    while stream.unit() > 1.0 / 8.0 {
                        t += 0.9 * (1.0 + 0.33 * stream.normal()).max(0.2);
                        times.push(t);
                    }
                }
                times.sort_by(f64::total_cmp);
                times.retain(|t| *t < end);
                times
            }
            Process::Flurries => {
                let mut times = Vec::new();
                for start in self.renewal(stream, end) {
                    let mut t = start;
                    times.push(t);
                    while stream.unit() > 1.0 / 6.0 {
                        t += 0.9 * stream.wait();
                        times.push(t);
                    }
                }
                times.sort_by(f64::total_cmp);
                times.retain(|t| *t < end);
                times
            }
            _ => self.renewal(stream, end),
        }
    }

    pub(crate) fn gap(&self, stream: &mut Stream) -> f64 {
        let unit = match self.process {
            // Γ(1 + 1/0.4) = 3.3234
            Process::Weibull => stream.wait().powf(2.5) / 3.323_350_970_447_843,
            Process::Pareto => stream.unit().powf(-1.0 / 1.5) / 3.0,
            Process::LogNormal => (1.5 * stream.normal() - 1.125).exp(),
            Process::Gamma => gamma(stream, 0.35) / 0.35,
            Process::LogLogistic => {
                let u = stream.unit();
                // Mean (π/1.8)/sin(π/1.8) = 1.7723
                (u / (1.0 - u)).powf(1.0 / 1.8) / 1.772_3
            }
            Process::Beat => {
                let mut beats = 1.0;
                while stream.unit() < 0.3 {
                    beats += 1.0;
                }
                (beats + 0.05 * stream.normal()) * 0.7
            }
            Process::Dead => 0.25 + 0.75 * stream.wait(),
            _ => stream.wait(),
        };
        self.mean * unit
    }

    /// Begun long before, so that the watch begins at an unrelated moment.
    fn renewal(&self, stream: &mut Stream, end: f64) -> Vec<f64> {
        let mut t = -self.mean * stream.between(400.0, 500.0);
        let mut times = Vec::new();
        while t < end {
            t += self.gap(stream);
            if t >= 0.0 && t < end {
                times.push(t);
            }
        }
        times
    }

    fn turns(&self, stream: &mut Stream, end: f64) -> Vec<f64> {
        let mut times = Vec::new();
        let mut on = match self.process {
            Process::Warm => true,
            Process::Cold => false,
            _ => stream.unit() < 0.5,
        };
        let mut t = if matches!(self.process, Process::Warm | Process::Cold) {
            0.0
        } else {
            -stream.between(10.0, 11.0) * (self.on + self.off)
        };
        while t < end {
            let length = if on { self.on } else { self.off };
            let length = match self.process {
                Process::Chance => length * stream.wait(),
                _ => length * (1.0 + 0.04 * stream.normal()),
            };
            if on {
                let mut at = t + self.mean * stream.wait();
                while at < t + length {
                    times.push(at);
                    at += self.mean * stream.wait();
                }
            }
            t += length;
            on = !on;
        }
        times.retain(|t| (0.0..end).contains(t));
        times
    }

    /// By thinning (Lewis & Shedler 1979).
    fn swing(&self, stream: &mut Stream, end: f64) -> Vec<f64> {
        let phase = stream.unit();
        let mut times = Vec::new();
        let mut t = 0.0;
        // From 2/7 to 12/7 of the mean rate.
        while t < end {
            t += self.mean * 7.0 / 12.0 * stream.wait();
            let turn = std::f64::consts::TAU * (t / 1500.0 + phase);
            if stream.unit() < (1.0 + 5.0 / 7.0 * turn.sin()) * 7.0 / 12.0 && t < end {
                times.push(t);
            }
        }
        times
    }
}

/// Gamma of a shape below one (Ahrens & Dieter 1974).
fn gamma(stream: &mut Stream, shape: f64) -> f64 {
    let b = 1.0 + shape / std::f64::consts::E;
    loop {
        let p = b * stream.unit();
        if p <= 1.0 {
            let x = p.powf(1.0 / shape);
            if stream.unit() <= (-x).exp() {
                return x;
            }
        } else {
            let x = -((b - p) / shape).ln();
            if stream.unit() <= x.powf(shape - 1.0) {
                return x;
            }
        }
    }
}

/// Strays no further apart than `joined` are one episode: start and end of each.
pub(crate) fn episodes(times: &[f64], joined: f64) -> Vec<(f64, f64)> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    for t in times {
        match found.last_mut() {
            Some(last) if *t - last.1 <= joined => last.1 = *t,
            _ => found.push((*t, *t)),
        }
    }
    found
}
