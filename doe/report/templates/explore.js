(() => {
  "use strict";
  const box = document.getElementById("explore");
  if (!box) return;
  const data = JSON.parse(document.getElementById("explore-data").textContent);
  const {factors, responses, rig} = data;
  const byId = (id) => document.getElementById(id);
  const SVG = "http://www.w3.org/2000/svg";
  const GRID = 61, CHANCE_GRID = 25, NEAR = 0.1;
  const FEW = 25, FREER_GRIDS = {surface: [41, 25], chance: [17, 11]}; // of few runs, and of more
  const state = {response: 0, x: data.first[0], y: data.first[1], at: factors.map((f) => f.at), freer: Boolean(data.surrogates)};
  const doubles = (packed) => new Float64Array(Uint8Array.from(atob(packed), (c) => c.charCodeAt(0)).buffer);

  // ---- the models, as the fit predicts them
  const coded = (f, v) => (f.levels ? v : (v - f.centre) / f.half);
  const contrast = (f, level, place) => {
    if (f.levels.length === 2) return level === 0 ? -1 : 1;
    if (level === f.levels.length - 1) return -1;
    return level === place - 1 ? 1 : 0;
  };
  const row = (r, at) => r.columns.map((powers) => {
    let value = 1;
    powers.forEach((power, i) => {
      if (!power) return;
      const f = factors[i];
      value *= f.levels ? contrast(f, Math.round(at[i]), power) : coded(f, at[i]) ** power;
    });
    return value;
  });
  const back = (r, z) => {
    if (r.exponent === 1) return z;
    if (r.exponent === 0) return Math.exp(z / r.scale);
    const divisor = r.exponent * r.scale ** (r.exponent - 1);
    return Math.max(divisor * z + 1, 0) ** (1 / r.exponent);
  };
  const slope = (r, z) => {
    if (r.exponent === 1) return 1;
    if (r.exponent === 0) return back(r, z) / r.scale;
    return r.exponent * r.scale ** (r.exponent - 1) / r.exponent * back(r, z) ** (1 - r.exponent);
  };
  const forward = (r, y) => {
    if (r.exponent === 1) return y;
    const kept = Math.max(y, 0);
    if (r.exponent === 0) return r.scale * Math.log(kept);
    return (kept ** r.exponent - 1) / (r.exponent * r.scale ** (r.exponent - 1));
  };
  const form = (m, matrix) => {
    let total = 0;
    for (let i = 0; i < m.length; i++) {
      let sum = 0;
      for (let j = 0; j < m.length; j++) sum += matrix[i][j] * m[j];
      total += m[i] * sum;
    }
    return total;
  };
  // degrees of freedom of a mean, or with more = 1 of a new run: those of the fit, or by REML
  // 2·v² over the variance of v at this very setting
  const freedom = (r, m, more) => {
    if (!r.mixed) return r.df;
    const {covariance, slopes, spread} = r.mixed;
    const value = form(m, covariance) + more * r.run_variance;
    const slant = slopes.map((matrix) => form(m, matrix) + more);
    const noise = form(slant, spread);
    return noise > 0 ? 2 * value ** 2 / noise : Infinity;
  };
  // a new run at a setting, on the scale of the model
  const newRun = (r, at) => {
    const m = row(r, at), variance = Math.max(form(m, r.covariance), 0);
    const z = m.reduce((sum, v, i) => sum + v * r.coefficients[i], 0);
    return {m, z, variance, run: Math.sqrt(variance + r.run_variance), df: freedom(r, m, 1)};
  };
  const predict = (r, at) => {
    const {m, z, variance} = newRun(r, at), error = Math.sqrt(variance);
    return {m, z, scaled: error, mean: back(r, z), error: error * Math.abs(slope(r, z))};
  };
  const interval = (r, p) => {
    const reach = quantile(0.025, freedom(r, p.m, 0)) * p.scaled;
    return {low: back(r, p.z - reach), high: back(r, p.z + reach)};
  };

  // ---- Student's t: the chance to lie above x, by a continued fraction of the incomplete beta
  // function (Abramowitz and Stegun 26.7.1, 26.5.8), the gamma function by Lanczos; without
  // degrees of freedom the normal one (26.2.10, 26.2.14)
  const GAMMA = [0.99999999999980993, 676.5203681218851, -1259.1392167224028, 771.32342877765313, -176.61502916214059, 12.507343278686905, -0.13857109526572012, 9.9843695780195716e-6, 1.5056327351493116e-7];
  const logGamma = (x) => {
    if (x < 0.5) return Math.log(Math.PI / Math.sin(Math.PI * x)) - logGamma(1 - x);
    const t = x + 6.5;
    return 0.5 * Math.log(2 * Math.PI) + (x - 0.5) * Math.log(t) - t + Math.log(GAMMA.reduce((s, c, i) => s + (i ? c / (x - 1 + i) : c), 0));
  };
  const constants = new Map();
  const logBeta = (a) => {
    if (!constants.has(a)) constants.set(a, logGamma(a) + logGamma(0.5) - logGamma(a + 0.5));
    return constants.get(a);
  };
  const tail = (x, df) => {
    if (x < 0) return 1 - tail(-x, df);
    if (x === Infinity) return 0;
    if (df > 1e7) {
      if (x > 3) {
        let c = 0;
        for (let k = 60; k > 0; k--) c = k / (x + c);
        return Math.exp(-x * x / 2) / Math.sqrt(2 * Math.PI) / (x + c);
      }
      let term = x, sum = x;
      for (let k = 1; k < 80; k++) { term *= x * x / (2 * k + 1); sum += term; }
      return 0.5 - sum * Math.exp(-x * x / 2) / Math.sqrt(2 * Math.PI);
    }
    const y = df / (df + x * x);
    const share = (a, b, at) => {
      let c = 1, d = 1 - (a + b) * at / (a + 1);
      d = 1 / (Math.abs(d) < 1e-300 ? 1e-300 : d);
      let h = d;
      for (let k = 1; k < 500; k++) {
        for (const f of [k * (b - k) * at / ((a + 2 * k - 1) * (a + 2 * k)), -(a + k) * (a + b + k) * at / ((a + 2 * k) * (a + 2 * k + 1))]) {
          d = 1 + f * d; c = 1 + f / c;
          d = 1 / (Math.abs(d) < 1e-300 ? 1e-300 : d);
          h *= d * c;
        }
        if (Math.abs(d * c - 1) < 1e-15) break;
      }
      return h / a;
    };
    const before = Math.exp(df / 2 * Math.log(y) + Math.log(x / Math.sqrt(df + x * x)) - logBeta(df / 2));
    if (x === 0) return 0.5;
    const wide = df / 2 / (df / 2 + 0.5 + 1) < y;
    return wide ? (1 - before * share(0.5, df / 2, 1 - y)) / 2 : before * share(df / 2, 0.5, y) / 2;
  };
  const quantile = (above, df) => {
    let low = 0, high = 1;
    while (tail(high, df) > above && high < 1e12) high *= 2;
    for (let k = 0; k < 100; k++) {
      const middle = (low + high) / 2;
      if (tail(middle, df) > above) low = middle; else high = middle;
    }
    return (low + high) / 2;
  };

  // ---- the surrogates, as the analysis has them: many sets of length scales, each with its weight
  const below = (x) => tail(-x, Infinity);
  const surrogate = (s) => {
    const [sets, weights, features, ratio, same, single, z, valuesThere, variancesThere] =
      ["sets", "weights", "features", "ratio", "alike", "alone", "z", "valuesThere", "variancesThere"].map((name) => doubles(s[name]));
    const n = z.length, S = weights.length, width = sets.length / S, d = features.length / n, k = factors.length;
    const columns = [];
    factors.forEach((f) => { const first = columns.flat().length; columns.push((f.levels || [0]).map((_, j) => first + j)); });
    const byRatio = [...ratio.keys()].filter((c) => ratio[c] > 1), first = k + byRatio.length;
    const hyper = [...weights].map((_, i) => {
      const one = sets.subarray(i * width, (i + 1) * width), variances = one.subarray(first).map((v) => Math.exp(2 * v));
      const parts = new Float64Array(d);
      byRatio.forEach((c, r) => { parts[c] = 1 / (1 + Math.exp(-one[k + r])); });
      const [own, bend, slope, curve, together, apart] = variances, noise = variances[variances.length - 1];
      const shifts = variances.subarray(6, variances.length - 1);
      const shared = s.anew.reduce((sum, anew, g) => sum + (anew ? shifts[g] : 0), 0);
      const lengths = one.subarray(0, k).map(Math.exp);
      return {lengths, parts, active: lengths.map((v) => (s.middle / v) ** (2 * s.sparse)), own, bend, slope, curve, together, apart, shifts, shared, noise};
    });
    // by how much a column moves where the logarithm of its factor counts, and what each set sees of it
    const bow = (c, x) => (ratio[c] > 1 ? 2 * Math.log(Math.max(1 + (ratio[c] - 1) * (x + 1) / 2, s.least)) / Math.log(ratio[c]) - 1 - x : 0);
    const bows = features.map((x, place) => bow(place % d, x));
    const seen = ({parts}, j, c) => features[j * d + c] + parts[c] * bows[j * d + c];
    // the bend that numeric factors share: what each adds to it at a setting, and all at every run
    const bends = (f, x) => (factors[f].levels ? 0 : x * x - 1 / 3);
    const bendOfRun = hyper.map((h) => [...z].map((_, j) => columns.reduce((sum, [c], f) => sum + bends(f, seen(h, j, c)), 0)));
    // what one factor alone brings under each set to the covariance between a setting and every run
    const column = (f, v) => (f.levels ? f.levels.map((_, j) => (Math.round(v) === j ? Math.SQRT2 : 0)) : [coded(f, v)]);
    const alone = (f, x) => {
      const dot = new Float64Array(S * n), alike = new Float64Array(S * n), square = new Float64Array(S), bend = new Float64Array(S);
      const moved = x.map((v, m) => bow(columns[f][m], v));
      hyper.forEach((h, i) => {
        const own = x.map((v, m) => v + h.parts[columns[f][m]] * moved[m]);
        square[i] = own.reduce((sum, v) => sum + v * v, 0);
        bend[i] = bends(f, own[0]);
        for (let j = 0; j < n; j++) {
          let apart = 0;
          columns[f].forEach((c, m) => { const b = seen(h, j, c); dot[i * n + j] += own[m] * b; apart += (own[m] - b) ** 2; });
          alike[i * n + j] = Math.exp(-0.5 * apart / h.lengths[f] ** 2);
        }
      });
      return {dot, alike, square, bend};
    };
    // slopes and second order, of products over the columns of numeric factors and of levels
    const secondOrder = ({slope, curve, apart}, ofNumeric, ofLevels) => {
      const straight = ofNumeric + ofLevels;
      return slope * straight + curve * straight * straight + apart / 2 * ofLevels * ofNumeric * ofNumeric;
    };
    const cross = (i, parts, into) => {
      const {own, bend, together, active} = hyper[i], shared = together * parts.reduce((sum, part) => sum + part.bend[i], 0);
      for (let j = 0; j < n; j++) {
        let ofNumeric = 0, ofLevels = 0, sum = 0, near = 1;
        for (let f = 0; f < k; f++) {
          const a = parts[f].alike[i * n + j], product = active[f] * parts[f].dot[i * n + j];
          if (factors[f].levels) ofLevels += product; else ofNumeric += product;
          sum += a; near *= a;
        }
        into[j] = 1 + secondOrder(hyper[i], ofNumeric, ofLevels) + own / k * sum + bend * near + shared * bendOfRun[i][j];
      }
      return into;
    };
    const roots = [], alphas = [];
    const solve = (L, b) => {
      for (let i = 0; i < n; i++) {
        let sum = b[i];
        for (let j = 0; j < i; j++) sum -= L[i * n + j] * b[j];
        b[i] = sum / L[i * n + i];
      }
      return b;
    };
    const ofRuns = [...z].map((_, r) => columns.map((cs, f) => alone(f, cs.map((c) => features[r * d + c]))));
    hyper.forEach((h, i) => {
      const L = new Float64Array(n * n), line = new Float64Array(n), values = z.slice(), beside = new Float64Array(n);
      // a run of which only a limit is known stands as a measurement that tells as much
      s.hidden.forEach((r, q) => { values[r] = valuesThere[i * s.hidden.length + q]; beside[r] = variancesThere[i * s.hidden.length + q]; });
      for (let r = 0; r < n; r++) {
        cross(i, ofRuns[r], line);
        for (let j = 0; j <= r; j++) {
          let sum = line[j] + (r === j ? h.noise * single[r] + s.jitter + beside[r] : 0);
          h.shifts.forEach((v, g) => { sum += v * same[(g * n + r) * n + j]; });
          for (let m = 0; m < j; m++) sum -= L[r * n + m] * L[j * n + m];
          L[r * n + j] = r === j ? Math.sqrt(sum) : sum / L[j * n + j];
        }
      }
      const alpha = solve(L, values);
      for (let r = n - 1; r >= 0; r--) {
        let sum = alpha[r];
        for (let j = r + 1; j < n; j++) sum -= L[j * n + r] * alpha[j];
        alpha[r] = sum / L[r * n + r];
      }
      roots.push(L); alphas.push(alpha);
    });
    const buffer = new Float64Array(n), blank = () => factors.map(() => new Map());
    // `tables` keeps what single factors bring at values met again: a picture asks for few of them
    const partsAt = (at, tables = blank()) => at.map((v, f) => {
      if (!tables[f].has(v)) tables[f].set(v, alone(f, column(factors[f], v)));
      return tables[f].get(v);
    });
    const at = (settings, tables) => {
      const parts = partsAt(settings, tables);
      return hyper.map((h, i) => {
        const bent = parts.reduce((sum, part) => sum + part.bend[i], 0);
        cross(i, parts, buffer);
        let mean = 0, known = 0, ofNumeric = 0, ofLevels = 0;
        parts.forEach((part, f) => { if (factors[f].levels) ofLevels += h.active[f] * part.square[i]; else ofNumeric += h.active[f] * part.square[i]; });
        for (let j = 0; j < n; j++) mean += buffer[j] * alphas[i][j];
        solve(roots[i], buffer);
        for (let j = 0; j < n; j++) known += buffer[j] * buffer[j];
        return {mean, variance: Math.max(0, 1 + secondOrder(h, ofNumeric, ofLevels) + h.together * bent * bent + h.own + h.bend - known)};
      });
    };
    const meanSd = (sides) => {
      let first = 0, second = 0;
      sides.forEach(({mean, variance}, i) => { first += weights[i] * mean; second += weights[i] * (mean * mean + variance); });
      return {mean: s.centre + s.size * first, sd: s.size * Math.sqrt(Math.max(second - first * first, 1e-12))};
    };
    const back = (v) => (s.logarithmic ? Math.exp(Math.min(v, 700)) : v);
    const ends = (sides, run) => [0.025, 0.975].map((share) => {
      const spread = sides.map(({variance}, i) => Math.sqrt(variance + run * (hyper[i].shared + hyper[i].noise) + 1e-12));
      let low = Math.min(...sides.map(({mean}, i) => mean - 9 * spread[i])), high = Math.max(...sides.map(({mean}, i) => mean + 9 * spread[i]));
      for (let turn = 0; turn < 45; turn++) {
        const middle = (low + high) / 2;
        const held = sides.reduce((sum, {mean}, i) => sum + weights[i] * below((middle - mean) / spread[i]), 0);
        if (held < share) low = middle; else high = middle;
      }
      return back(s.centre + s.size * (low + high) / 2);
    });
    const surface = (sides) => {
      const {mean, sd} = meanSd(sides), told = back(mean);
      return {mean: told, error: s.logarithmic ? sd * told : sd};
    };
    const forward = (v) => (!s.logarithmic ? v : v > 0 ? Math.log(v) : -Infinity);
    const told = (settings) => {
      const sides = at(settings), [low, high] = ends(sides, 0), [runLow, runHigh] = ends(sides, 1);
      return {...surface(sides), low, high, runLow, runHigh};
    };
    // the chance that a new run falls between two values, averaged over sets as intervals are
    const between = (sides, low, high) => {
      const [from, to] = [low, high].map((v) => (forward(v) - s.centre) / s.size);
      return sides.reduce((sum, {mean, variance}, i) => {
        const spread = Math.sqrt(variance + hyper[i].shared + hyper[i].noise + 1e-12);
        return sum + weights[i] * (below((to - mean) / spread) - below((from - mean) / spread));
      }, 0);
    };
    return {at, surface, told, between, blank, runs: n};
  };
  const freer = data.surrogates && data.surrogates.map(surrogate);

  // ---- what is said of a response at a setting, by whichever models the reader chose
  const byPolynomial = (r, at) => {
    const p = predict(r, at), own = newRun(r, at), reach = quantile(0.025, own.df) * own.run;
    return {mean: p.mean, error: p.error, ...interval(r, p), runLow: back(r, own.z - reach), runHigh: back(r, own.z + reach)};
  };
  const told = (n, at) => (state.freer ? freer[n].told(at) : byPolynomial(responses[n], at));

  // ---- the chance that one new run meets every limit, worked out as the analysis does
  const bounds = (r) => r.wanted.map((v, i) => forward(r, v === null ? (i ? Infinity : -Infinity) : v));
  const aims = data.aims && {
    ...data.aims,
    draws: data.aims.draws && doubles(data.aims.draws),
    wanted: data.aims.responses.map((n) => bounds(responses[n])),
    limits: data.aims.responses.map((n) => responses[n].wanted.map((v, i) => (v === null ? (i ? Infinity : -Infinity) : v))),
  };
  // by the surrogates it is at least one less each response's chance to miss (Bonferroni)
  const keepingFreer = (at, tables) => Math.max(0, 1 - aims.responses.reduce((missed, n, i) => {
    const own = freer[n];
    return missed + 1 - own.between(own.at(at, tables && tables[i]), ...aims.limits[i]);
  }, 0));
  const keepingPolynomials = (at) => {
    const parts = aims.responses.map((n, i) => {
      const r = responses[n], {z, run, df} = newRun(r, at);
      const error = Math.max(run, 1e-12 * (1 + Math.abs(z))) * (aims.draws ? Math.sqrt(df / aims.df) : 1);
      const [low, high] = aims.wanted[i].map((bound) => (bound - z) / error);
      return {low, high, df};
    });
    if (!aims.draws) {
      const missed = parts.reduce((sum, {low, high, df}) => sum + tail(high, df) + tail(-low, df), 0);
      return Math.max(0, 1 - missed);
    }
    const count = aims.draws.length / parts.length;
    let met = 0;
    for (let k = 0; k < count; k++) {
      let ok = 1;
      for (let i = 0; i < parts.length && ok; i++) {
        const drawn = aims.draws[i * count + k];
        if (drawn < parts[i].low || drawn > parts[i].high) ok = 0;
      }
      met += ok;
    }
    return met / count;
  };
  const keeping = (at, tables) => (state.freer ? keepingFreer(at, tables) : keepingPolynomials(at));
  const overSwings = (chance, at) => {
    if (!aims.strays.length) return chance(at);
    return aims.strays.reduce((sum, off) => sum + chance(at.map((v, i) => v + off[i])), 0) / aims.strays.length;
  };
  const keepingSwung = (at, tables) => overSwings((place) => keeping(place, tables), at);
  const atLeast = () => (state.freer ? aims.responses.length > 1 : aims.bound);

  // mean over two factors, the rest held: a short sum of c · x^a · y^b, for painting
  const flat = (r, ix, iy, at) => {
    const found = new Map();
    r.columns.forEach((powers, n) => {
      let c = r.coefficients[n];
      powers.forEach((power, i) => {
        if (!power || i === ix || i === iy) return;
        const f = factors[i];
        c *= f.levels ? contrast(f, Math.round(at[i]), power) : coded(f, at[i]) ** power;
      });
      const key = powers[ix] * 10 + powers[iy];
      found.set(key, (found.get(key) || 0) + c);
    });
    const sums = [...found].map(([key, c]) => [c, Math.floor(key / 10), key % 10]);
    return (u, v) => back(r, sums.reduce((z, [c, a, b]) => z + c * u ** a * v ** b, 0));
  };

  // ---- what the rig can run: nothing between nodes counts unless all nodes around it do
  const nodes = [];
  for (const [, count, letter] of rig.nodes.matchAll(/(\d+)([A-Za-z])/g)) {
    const place = letter.charCodeAt(0) - (letter < "a" ? 65 : 71);
    for (let i = 0; i < +count; i++) nodes.push(place);
  }
  const strides = rig.levels.map((_, i) => rig.levels.slice(i + 1).reduce((n, l) => n * l.length, 1));
  const around = (i, v) => {
    const levels = rig.levels[i];
    const slack = 1e-9 * (levels[levels.length - 1] - levels[0] || 1);
    const above = levels.findIndex((level) => level >= v - slack);
    if (above < 0) return [levels.length - 1];
    return Math.abs(levels[above] - v) <= slack || above === 0 ? [above] : [above - 1, above];
  };
  const setsAt = (choices) => {
    let places = [0];
    choices.forEach((choice, i) => { places = places.flatMap((p) => choice.map((c) => p + c * strides[i])); });
    return places.map((p) => nodes[p]);
  };
  const failing = (choices) => [...new Set(setsAt(choices).flatMap((s) => rig.sets[s]))];
  const verdict = (at) => {
    const sets = setsAt(at.map((v, i) => around(i, v)));
    const named = [...new Set(sets.flatMap((s) => rig.sets[s]))].map((j) => `“${rig.limits[j]}”`).join(", ");
    if (!named) return ["yes", "The rig can run this."];
    if (sets.every((s) => rig.sets[s].length)) return ["no", `The rig cannot run this: ${named}.`];
    return ["unsure", `Too near a limit to say here: ${named}. Treat it as what the rig cannot run.`];
  };

  // ---- numbers as text
  const minus = (text) => text.replace("-", "−");
  const plain = (v, digits = 4) => {
    if (v === 0) return "0";
    const places = Math.min(12, Math.max(0, digits - 1 - Math.floor(Math.log10(Math.abs(v)))));
    const text = v.toFixed(places);
    return minus(text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text);
  };
  const bearing = (v, error) => {
    if (!Number.isFinite(v)) return "not known";
    if (!(error > 0) || !Number.isFinite(error)) return plain(v);
    return minus(v.toFixed(Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(error))))));
  };
  const unit = (text, u) => (u ? `${text}\u00a0${u}` : text);
  const setting = (i, v) => (factors[i].levels ? factors[i].levels[Math.round(v)] : unit(minus(v.toFixed(factors[i].decimals)), factors[i].unit));
  const levelsBetween = (low, high, most) => {
    if (!(high - low > 1e-12 * Math.max(1, Math.abs(high)))) return [];
    const least = (high - low) / (most + 1), e = Math.floor(Math.log10(least));
    const steps = [e, e + 1].flatMap((p) => [1, 2, 2.5, 5].map((m) => m * 10 ** p)).filter((s) => s >= least * 0.999);
    for (const step of [...steps, 10 ** (e + 2)]) {
      const found = [];
      for (let i = Math.floor(low / step) + 1; i * step < high && found.length <= most; i++) found.push(+(i * step).toPrecision(12));
      if (found.length <= most) return found;
    }
    return [];
  };

  // ---- the picture
  const plot = byId("explore-plot"), canvas = byId("explore-ground");
  const drawing = byId("explore-drawing");
  const make = (tag, attributes, text) => {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  let frame = null;
  const layout = () => {
    const width = Math.min(700, plot.clientWidth), height = Math.min(0.92 * width, 400);
    const left = 58, top = 30, right = width - 12, bottom = top + height, pad = 12;
    const [fx, fy] = [factors[state.x], factors[state.y]];
    const inner = {left: left + pad, right: right - pad, top: top + pad, bottom: bottom - pad};
    return {
      width, height: bottom + 46, left, right, top, bottom, ...{inner},
      x: (v) => inner.left + (v - fx.low) / (fx.high - fx.low) * (inner.right - inner.left),
      y: (v) => inner.bottom - (v - fy.low) / (fy.high - fy.low) * (inner.bottom - inner.top),
      xAt: (p) => fx.low + (p - inner.left) / (inner.right - inner.left) * (fx.high - fx.low),
      yAt: (p) => fy.low + (inner.bottom - p) / (inner.bottom - inner.top) * (fy.high - fy.low),
    };
  };
  const sampled = (value, size) => {
    const [fx, fy] = [factors[state.x], factors[state.y]];
    const xs = [], ys = [];
    for (let i = 0; i < size; i++) {
      xs.push(fx.low + i / (size - 1) * (fx.high - fx.low));
      ys.push(fy.low + i / (size - 1) * (fy.high - fy.low));
    }
    return {xs, ys, z: ys.map((y) => xs.map((x) => value(x, y)))};
  };
  const segments = ({xs, ys, z}, level) => {
    const found = [];
    for (let i = 0; i + 1 < ys.length; i++) {
      for (let j = 0; j + 1 < xs.length; j++) {
        const corners = [[j, i], [j + 1, i], [j + 1, i + 1], [j, i + 1]];
        const cuts = [];
        corners.forEach(([a, b], n) => {
          const [c, d] = corners[(n + 1) % 4], p = z[b][a] - level, q = z[d][c] - level;
          if ((p < 0) === (q < 0)) return;
          const s = p / (p - q);
          cuts.push([xs[a] + s * (xs[c] - xs[a]), ys[b] + s * (ys[d] - ys[b])]);
        });
        for (let n = 0; n + 1 < cuts.length; n += 2) found.push([cuts[n], cuts[n + 1]]);
      }
    }
    return found;
  };
  const pathOf = (lines) => lines.map(([a, b]) => `M${frame.x(a[0]).toFixed(1)} ${frame.y(a[1]).toFixed(1)}L${frame.x(b[0]).toFixed(1)} ${frame.y(b[1]).toFixed(1)}`).join("");
  const shade = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

  const paint = (mean, levels) => {
    const {inner} = frame, ratio = Math.min(2, window.devicePixelRatio || 1);
    const wide = Math.round((inner.right - inner.left) * ratio), high = Math.round((inner.bottom - inner.top) * ratio);
    canvas.width = wide; canvas.height = high;
    Object.assign(canvas.style, {left: `${inner.left}px`, top: `${inner.top}px`, width: `${inner.right - inner.left}px`, height: `${inner.bottom - inner.top}px`});
    const colours = levels.concat(0).map((_, i) => {
      const step = 1 + Math.round(i * 6 / Math.max(1, levels.length));
      const hex = shade(`ramp-${step}`);
      return [1, 3, 5].map((k) => parseInt(hex.slice(k, k + 2), 16));
    });
    const context = canvas.getContext("2d"), image = context.createImageData(wide, high);
    for (let j = 0, k = 0; j < high; j++) {
      const v = 1 - 2 * (j + 0.5) / high;
      for (let i = 0; i < wide; i++, k += 4) {
        const z = mean(2 * (i + 0.5) / wide - 1, v);
        let band = 0;
        while (band < levels.length && z >= levels[band]) band++;
        const c = colours[band];
        image.data[k] = c[0]; image.data[k + 1] = c[1]; image.data[k + 2] = c[2]; image.data[k + 3] = 255;
      }
    }
    context.putImageData(image, 0, 0);
  };

  const axes = () => {
    const parts = [], [fx, fy] = [factors[state.x], factors[state.y]];
    for (const v of new Set([...levelsBetween(fx.low, fx.high, Math.max(3, Math.floor(frame.width / 90))), fx.low, fx.high].sort((a, b) => a - b))) {
      if (Math.min(v - fx.low, fx.high - v) > 0 && Math.min(v - fx.low, fx.high - v) / (fx.high - fx.low) < 0.06) continue;
      parts.push(make("text", {class: "tick middle", x: frame.x(v), y: frame.bottom + 18}, plain(v, 6)));
    }
    for (const v of new Set([...levelsBetween(fy.low, fy.high, 6), fy.low, fy.high])) {
      if (Math.min(v - fy.low, fy.high - v) > 0 && Math.min(v - fy.low, fy.high - v) / (fy.high - fy.low) < 0.05) continue;
      parts.push(make("text", {class: "tick end", x: frame.left - 11, y: frame.y(v) + 4}, plain(v, 6)));
    }
    const label = (f) => (f.unit ? `${f.words}, ${f.unit}` : f.words);
    const most = Math.floor(frame.width / 8), cut = (t) => (t.length > most ? `${t.slice(0, most - 1)}…` : t);
    parts.push(make("text", {class: "axis", x: 0, y: 15}, cut(label(fy))));
    parts.push(make("text", {class: "axis end", x: frame.right, y: frame.bottom + 40}, cut(label(fx))));
    return parts;
  };

  const hatch = () => {
    const [lx, ly] = [rig.levels[state.x], rig.levels[state.y]];
    const held = state.at.map((v, i) => around(i, v));
    const shut = [], limits = new Set();
    for (let j = 0; j + 1 < ly.length; j++) {
      shut.push([]);
      for (let i = 0; i + 1 < lx.length; i++) {
        const choices = held.slice();
        choices[state.x] = [i, i + 1]; choices[state.y] = [j, j + 1];
        const fails = failing(choices);
        shut[j].push(fails.length > 0);
        fails.forEach((limit) => limits.add(limit));
      }
    }
    let area = "", edge = "";
    const X = (i) => frame.x(lx[i]).toFixed(1), Y = (j) => frame.y(ly[j]).toFixed(1);
    const is = (j, i) => Boolean(shut[j] && shut[j][i]);
    const inside = (j, i) => shut[j] !== undefined && shut[j][i] !== undefined;
    shut.forEach((cells, j) => {
      for (let i = 0; i < cells.length; i++) {
        if (cells[i]) {
          let end = i;
          while (cells[end + 1]) end++;
          area += `M${X(i)} ${Y(j)}H${X(end + 1)}V${Y(j + 1)}H${X(i)}Z`;
          i = end;
        }
      }
      for (let i = 0; i < cells.length; i++) {
        if (!cells[i]) continue;
        if (inside(j, i - 1) && !is(j, i - 1)) edge += `M${X(i)} ${Y(j)}V${Y(j + 1)}`;
        if (inside(j, i + 1) && !is(j, i + 1)) edge += `M${X(i + 1)} ${Y(j)}V${Y(j + 1)}`;
        if (inside(j - 1, i) && !is(j - 1, i)) edge += `M${X(i)} ${Y(j)}H${X(i + 1)}`;
        if (inside(j + 1, i) && !is(j + 1, i)) edge += `M${X(i)} ${Y(j + 1)}H${X(i + 1)}`;
      }
    });
    byId("explore-hatched").textContent = limits.size
      ? `Hatched: what the rig cannot do, or not surely: ${[...limits].map((l) => `“${rig.limits[l]}”`).join(", ")}.`
      : "The rig can run all of this picture.";
    if (!area) return [];
    return [make("path", {class: "faded", d: area}), make("path", {d: area, fill: "url(#explore-hatch)"}), make("path", {class: "hatched", fill: "none", d: edge})];
  };

  const labels = (grid, levels, before, u, kind, taken) => {
    const parts = [];
    for (const level of levels) {
      const lines = segments(grid, level);
      const text = before + unit(plain(level), u), wide = text.length * 7;
      let best = null, most = 0;
      for (const [a] of lines) {
        const [x, y] = [frame.x(a[0]), frame.y(a[1])];
        const edge = Math.min(x - frame.left - wide / 2, frame.right - x - wide / 2, (y - frame.top) - 10, (frame.bottom - y) - 10);
        if (edge < 4) continue;
        const room = Math.min(edge * 2, 90, ...taken.map(([p, q, w]) => Math.max(Math.abs(p - x) - (w + wide) / 2, Math.abs(q - y) - 16)));
        if (room > most) { most = room; best = [x, y]; }
      }
      if (!best) continue;
      taken.push([...best, wide]);
      parts.push(make("text", {class: `${kind} middle`, x: best[0], y: best[1] + 4}, text));
    }
    return parts;
  };

  const marks = (taken) => {
    const parts = [];
    const far = (settings) => settings.some((v, i) => {
      if (i === state.x || i === state.y) return false;
      const f = factors[i];
      return f.levels ? v !== state.at[i] : Math.abs(v - state.at[i]) / (f.high - f.low) > NEAR;
    });
    const named = [];
    for (const run of data.runs[(responses[state.response] || responses[data.aims.responses[0]]).name] || []) {
      const x = frame.x(run.settings[state.x]), y = frame.y(run.settings[state.y]);
      if (x < frame.left - 3 || x > frame.right + 3 || y < frame.top - 3 || y > frame.bottom + 3) continue;
      const pale = far(run.settings) ? " pale" : "";
      if (run.kind === "left out") parts.push(make("path", {class: `run-cross${pale}`, d: `M${x - 5} ${y - 5}L${x + 5} ${y + 5}M${x - 5} ${y + 5}L${x + 5} ${y - 5}`}));
      else if (run.kind === "recommended") parts.push(make("path", {class: `run-recommended${pale}`, d: `M${x} ${y - 8}L${x + 8} ${y}L${x} ${y + 8}L${x - 8} ${y}Z`}));
      else parts.push(make("circle", {class: `run-${run.kind}${pale}`, cx: x, cy: y, r: 6}));
      taken.push([x, y, 12]);
      if (!pale) named.push([x, y, run.name]);
    }
    for (const [x, y, name] of named) {
      const wide = name.length * 7;
      for (const [p, q] of [[x + 10 + wide / 2, y], [x - 10 - wide / 2, y], [x, y - 16], [x, y + 16]]) {
        if (p - wide / 2 < frame.left || p + wide / 2 > frame.right || q < frame.top + 8 || q > frame.bottom - 8) continue;
        if (taken.some(([a, b, w]) => Math.abs(a - p) < (w + wide) / 2 && Math.abs(b - q) < 13)) continue;
        taken.push([p, q, wide]);
        parts.push(make("text", {class: "run-name middle", x: p, y: q + 4}, name));
        break;
      }
    }
    return parts;
  };

  const between = ({xs, ys, z}) => (u, v) => {
    const p = (u + 1) / 2 * (xs.length - 1), q = (v + 1) / 2 * (ys.length - 1);
    const i = Math.min(xs.length - 2, Math.floor(p)), j = Math.min(ys.length - 2, Math.floor(q)), s = p - i, t = q - j;
    return (1 - t) * ((1 - s) * z[j][i] + s * z[j][i + 1]) + t * ((1 - s) * z[j + 1][i] + s * z[j + 1][i + 1]);
  };
  const range = (g) => [Math.min(...g.z.flat()), Math.max(...g.z.flat())];
  const CHANCES = [10, 50, 90, 99], ENOUGH = 90;
  const shown = () => {
    const {x: ix, y: iy, at} = state, [fx, fy] = [factors[ix], factors[iy]];
    const put = (x, y) => { const s = at.slice(); s[ix] = x; s[iy] = y; return s; };
    if (state.response === responses.length) {
      const tables = state.freer && aims.responses.map((n) => freer[n].blank());
      const size = state.freer ? FREER_GRIDS.chance[Number(freer[0].runs > FEW)] : CHANCE_GRID;
      const grid = sampled((x, y) => 100 * keepingSwung(put(x, y), tables), size);
      const values = grid.z.flat(), [low, high] = [Math.min(...values), Math.max(...values)];
      return {grid, paintable: between(grid), unit: "%", levels: CHANCES.filter((c) => low < c && c < high), errors: null, errorLevels: []};
    }
    const r = responses[state.response];
    if (state.freer) {
      const own = freer[state.response], tables = own.blank();
      const both = sampled((x, y) => own.surface(own.at(put(x, y), tables)), FREER_GRIDS.surface[Number(own.runs > FEW)]);
      const [grid, errors] = ["mean", "error"].map((part) => ({...both, z: both.z.map((line) => line.map((one) => one[part]))}));
      return {grid, paintable: between(grid), unit: r.unit, levels: levelsBetween(...range(grid), 6), errors, errorLevels: levelsBetween(...range(errors), 3)};
    }
    const polynomial = flat(r, ix, iy, at);
    const grid = sampled((x, y) => polynomial(coded(fx, x), coded(fy, y)), GRID);
    const errors = sampled((x, y) => predict(r, put(x, y)).error, GRID);
    return {grid, paintable: polynomial, unit: r.unit, levels: levelsBetween(...range(grid), 6), errors, errorLevels: levelsBetween(...range(errors), 3)};
  };
  const draw = () => {
    frame = layout();
    const {x: ix, y: iy, at} = state;
    const view = shown(), {grid, errors, levels, errorLevels} = view;
    paint(view.paintable, levels);
    drawing.setAttribute("viewBox", `0 0 ${frame.width} ${frame.height}`);
    drawing.setAttribute("width", frame.width); drawing.setAttribute("height", frame.height);
    const taken = [], [px, py] = [frame.x(at[ix]), frame.y(at[iy])];
    taken.push([px, py, 24]);
    const lines = make("g", {});
    for (const level of levels) lines.append(make("path", {class: errors === null && level === ENOUGH ? "level-line strong" : "level-line", d: pathOf(segments(grid, level))}));
    for (const level of errorLevels) {
      const d = pathOf(segments(errors, level));
      lines.append(make("path", {class: "error-ground", d}), make("path", {class: "error-line", d}));
    }
    const hair = `M${px} ${frame.top}V${frame.bottom}M${frame.left} ${py}H${frame.right}`;
    const cross = make("path", {class: "cross-hair", d: hair}), under = make("path", {class: "error-ground", d: hair});
    const ring = make("circle", {class: "cross-ring", cx: px, cy: py, r: 11});
    const runs = marks(taken);
    byId("explore-layers").replaceChildren(
      ...axes(), lines, ...hatch(), under, cross, ...runs, ring,
      ...labels(grid, levels, "", view.unit, "level-name", taken),
      ...(errors ? labels(errors, errorLevels, "± ", view.unit, "error-name", taken) : []),
    );
  };

  // ---- words and numbers
  const meets = (r, mean) => {
    if (!r.wanted) return "";
    const [low, high] = r.wanted, named = low === null ? `at most ${unit(plain(high), r.unit)}` : high === null ? `at least ${unit(plain(low), r.unit)}` : `${plain(low)} to ${unit(plain(high), r.unit)}`;
    const kept = (low === null || mean >= low) && (high === null || mean <= high);
    return `${named}: the mean ${kept ? "keeps it" : "misses it"}`;
  };
  const share = (chance) => {
    if (chance > 0 && chance < 0.01) return "under 1\u00a0%";
    return chance > 0.99 && chance < 1 ? "over 99\u00a0%" : `${Math.floor(100 * chance + 1e-9)}\u00a0%`;
  };
  const tell = () => {
    responses.forEach((r, n) => {
      const p = told(n, state.at), line = byId(`explore-row-${n}`);
      const words = {
        mean: unit(bearing(p.mean, p.error), r.unit), error: unit(bearing(p.error, p.error), r.unit), aim: meets(r, p.mean),
        interval: `${bearing(p.low, p.error)} to ${bearing(p.high, p.error)}`,
        run: `${bearing(p.runLow, p.runHigh - p.runLow)} to ${bearing(p.runHigh, p.runHigh - p.runLow)}`,
      };
      for (const cell of line.querySelectorAll("[data-cell]")) cell.textContent = words[cell.dataset.cell];
      Object.assign(line.dataset, Object.fromEntries(Object.entries(p).map(([name, v]) => [name, String(v)])));
    });
    const where = factors.map((_, i) => setting(i, state.at[i])).join(", ");
    let chance = "";
    if (aims) {
      const [kept, swung] = [keeping(state.at), keepingSwung(state.at)], said = byId("explore-chance");
      chance = `${atLeast() ? "at least " : ""}${share(swung)}`;
      said.textContent = `Chance that one new run here meets every limit: ${atLeast() ? "at least " : ""}${share(kept)}${aims.strays.length ? `; with the rig’s swings counted, ${share(swung)}` : ""}.`;
      Object.assign(said.dataset, {chance: String(kept), swung: String(swung)});
    }
    const r = responses[state.response];
    if (r) {
      const p = told(state.response, state.at);
      byId("explore-finding").textContent = `${r.words.charAt(0).toUpperCase()}${r.words.slice(1)} at ${where}: ${unit(bearing(p.mean, p.error), r.unit)} (95\u00a0% interval of the mean ${bearing(p.low, p.error)} to ${bearing(p.high, p.error)})`;
    } else byId("explore-finding").textContent = `Chance that one new run meets every limit at ${where}: ${chance}`;
    byId("explore-how").textContent = r
      ? "A stronger colour is more; dashed lines join equal standard error (±)."
      : `A stronger colour is a higher chance${aims.strays.length ? ", the rig’s swings counted" : ""}; the strong line is ${ENOUGH}\u00a0%.`;
    const [word, sentence] = verdict(state.at), rigSays = byId("explore-rig");
    rigSays.textContent = sentence; rigSays.dataset.verdict = word;
    factors.forEach((f, i) => {
      const input = byId(`explore-at-${i}`), text = setting(i, state.at[i]);
      input.value = String(state.at[i]);
      if (!f.levels) { input.setAttribute("aria-valuetext", text); byId(`explore-value-${i}`).textContent = text; }
    });
  };
  let due = false;
  const update = () => {
    tell();
    if (due) return;
    due = true;
    requestAnimationFrame(() => { due = false; draw(); box.dataset.ready = "yes"; });
  };

  // ---- what the reader does
  const choose = (id, apply) => byId(id).addEventListener("change", (event) => { apply(Number(event.target.value)); update(); });
  const pairOff = (changed, other, value) => {
    if (state[other] === value) { state[other] = state[changed]; byId(`explore-${other}`).value = String(state[other]); }
    state[changed] = value;
  };
  choose("explore-response", (v) => { state.response = v; });
  if (freer) choose("explore-by", (v) => { state.freer = v === 0; });
  choose("explore-x", (v) => pairOff("x", "y", v));
  choose("explore-y", (v) => pairOff("y", "x", v));
  factors.forEach((f, i) => byId(`explore-at-${i}`).addEventListener("input", (event) => { state.at[i] = Number(event.target.value); update(); }));
  byId("explore-back").addEventListener("click", () => { state.at = factors.map((f) => f.at); update(); });
  const settable = (i, v) => {
    const f = factors[i], input = byId(`explore-at-${i}`), low = Number(input.min), high = Number(input.max);
    const step = f.step || 10 ** -f.decimals;
    return Number(Math.min(high, Math.max(low, low + Math.round((v - low) / step) * step)).toFixed(Math.max(f.decimals, 0)));
  };
  let held = false;
  const pick = (event) => {
    const place = plot.getBoundingClientRect();
    state.at[state.x] = settable(state.x, frame.xAt(event.clientX - place.left));
    state.at[state.y] = settable(state.y, frame.yAt(event.clientY - place.top));
    update();
  };
  plot.addEventListener("pointerdown", (event) => { held = event.pointerType === "mouse"; pick(event); });
  plot.addEventListener("pointermove", (event) => { if (held && event.buttons) pick(event); });
  window.addEventListener("pointerup", () => { held = false; });
  window.addEventListener("resize", update);
  // where the style sheet cannot unfold for paper, this does
  if (!CSS.supports("selector(::details-content)")) {
    const shut = [];
    window.addEventListener("beforeprint", () => document.querySelectorAll("details.evidence:not([open])").forEach((e) => { e.open = true; shut.push(e); }));
    window.addEventListener("afterprint", () => shut.splice(0).forEach((e) => { e.open = false; }));
  }
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", update);

  // ---- choices that nothing beats: pick one, and everything above follows
  const pickers = [...document.querySelectorAll("[name=choice]")];
  const choosing = (n) => {
    const {at, told: foretold, chance} = data.choices[n];
    state.at = at.slice();
    pickers[n].checked = true;
    document.querySelectorAll("[data-choice]").forEach((mark) => mark.classList.toggle("picked", mark.dataset.choice === String(n + 1)));
    const facts = factors.map((f, i) => [f.words, setting(i, at[i])]);
    responses.forEach((r, i) => {
      const p = foretold[i];
      facts.push([r.words, `${unit(bearing(p.mean, p.error), r.unit)} ${p.median ? "typically (median; " : "on average ("}95\u00a0% interval ${bearing(p.low, p.error)} to ${bearing(p.high, p.error)})`]);
    });
    if (chance !== null) facts.push(["all limits met", `${aims && aims.responses.length > 1 ? "at least " : ""}${share(chance)}${aims && aims.strays.length ? ", the rig’s swings counted" : ""}`]);
    facts.push(["the rig", verdict(at)[1]]);
    byId("chosen-name").textContent = `Choice ${n + 1}`;
    byId("chosen-facts").replaceChildren(...facts.flatMap((pair) => pair.map((text, i) => {
      const element = document.createElement(i ? "dd" : "dt");
      element.textContent = text;
      return element;
    })));
    byId("chosen").hidden = false;
    update();
  };
  if (pickers.length) {
    byId("choose").hidden = false;
    pickers.forEach((input, n) => input.addEventListener("change", () => choosing(n)));
    document.querySelectorAll("[data-choice]").forEach((mark) => {
      mark.closest("figure").classList.add("pickable");
      mark.addEventListener("click", () => choosing(Number(mark.dataset.choice) - 1));
    });
  }

  byId("explore-x").value = String(state.x); byId("explore-y").value = String(state.y);
  byId("explore-still").hidden = true;
  box.hidden = false;
  update();
})();
