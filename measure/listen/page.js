"use strict";
// All of the page's state is in this function: no global name holds a blind run's answer.
(() => {
  // unpack undoes the packing: changes from sample to sample, low bytes and then high
  // bytes, gzip, base64. A sample is its integer over 32768, positive or negative.
  async function unpack(v) {
    const raw = Uint8Array.from(atob(v.data), c => c.charCodeAt(0));
    const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream("gzip"));
    const b = new Uint8Array(await new Response(stream).arrayBuffer());
    const n = b.length / 2, frames = n / v.channels, planes = [];
    for (let c = 0; c < v.channels; c++) {
      const x = new Float32Array(frames);
      let last = 0;
      for (let i = 0, k = c * frames; i < frames; i++, k++) {
        last = (last + (b[k] | b[n + k] << 8)) << 16 >> 16;
        x[i] = last / 32768;
      }
      planes.push(x);
    }
    return planes;
  }

  // unpackAll does that in a worker, so that the page stays alive meanwhile.
  function unpackAll(sounds) {
    const text = unpack.toString() + "\nonmessage = async e => { try { const p = await unpack(e.data); postMessage(p, p.map(x => x.buffer)); } catch (f) { postMessage(String(f)); } };";
    const url = URL.createObjectURL(new Blob([text], { type: "text/javascript" }));
    return Promise.all(sounds.map(v => new Promise((done, failed) => {
      const worker = new Worker(url);
      worker.onerror = e => failed(new Error(e.message || "the worker did not start"));
      worker.onmessage = e => { worker.terminate(); typeof e.data === "string" ? failed(new Error(e.data)) : done(e.data); };
      worker.postMessage(v);
    }))).finally(() => URL.revokeObjectURL(url));
  }

  // Desk plays all versions from one instant on; to switch moves gains only.
  class Desk {
    constructor(ctx, planes, rate) {
      this.ctx = ctx;
      this.rate = rate;
      this.fade = 0.008; // seconds
      this.master = ctx.createGain();
      this.master.gain.value = 0;
      this.master.connect(ctx.destination);
      this.buffers = planes.map(p => {
        const b = ctx.createBuffer(p.length, p[0].length, rate);
        p.forEach((x, c) => b.copyToChannel(x, c));
        return b;
      });
      this.gains = this.buffers.map(() => { const g = ctx.createGain(); g.gain.value = 0; g.connect(this.master); return g; });
      this.lift = this.buffers.map(() => 1);
      this.sources = [];
      this.on = -1;
      this.settled = 0; // when the last fade is over
      this.loop = [0, planes[0][0].length / rate];
      this.from = 0;
    }
    get playing() { return this.sources.length > 0; }
    play(offset, at) {
      this.halt();
      this.t0 = at ?? this.ctx.currentTime + 0.03;
      this.from = offset;
      this.sources = this.buffers.map((b, i) => {
        const s = this.ctx.createBufferSource();
        s.buffer = b;
        s.connect(this.gains[i]);
        s.loop = true;
        [s.loopStart, s.loopEnd] = this.loop;
        s.start(this.t0, offset);
        return s;
      });
    }
    halt() {
      this.sources.forEach(s => { s.stop(); s.disconnect(); });
      this.sources = [];
    }
    // A straight cross-fade: versions of one sound are correlated, and equal gain keeps
    // the level where equal power would raise it by up to 3 dB. A fade begins when the
    // one before it is over.
    choose(i, at) {
      if (i === this.on) return;
      const t = Math.max(at ?? this.ctx.currentTime, this.settled);
      this.gains.forEach((g, k) => {
        const from = k === this.on ? this.lift[k] : 0, to = k === i ? this.lift[k] : 0;
        if (from === to) return;
        g.gain.setValueAtTime(from, t);
        g.gain.linearRampToValueAtTime(to, t + this.fade);
      });
      this.settled = t + this.fade;
      this.on = i;
    }
    // The level rises or falls on a straight line.
    level(db, seconds) {
      const g = this.master.gain, t = this.ctx.currentTime;
      const now = g.value;
      g.cancelScheduledValues(t);
      g.setValueAtTime(now, t);
      g.linearRampToValueAtTime(10 ** (Math.min(0, db) / 20), t + seconds);
    }
    get position() {
      if (!this.playing) return this.from;
      const t = this.from + Math.max(0, this.ctx.currentTime - this.t0), [a, b] = this.loop;
      return t < b ? t : a + (t - a) % (b - a);
    }
  }

  // tail is the chance of k or more right answers of n, each right with chance p.
  function tail(n, k, p = 0.5) {
    let sum = 0, term = (1 - p) ** n;
    for (let i = 0; i <= n; i++) {
      if (i >= k) sum += term;
      term *= (n - i) / (i + 1) * p / (1 - p);
    }
    return Math.min(1, sum);
  }
  // least is the fewest right answers that guessing reaches in under 5 % of runs; of a
  // preference, which may go either way, in under 2.5 %.
  function least(n, sides = 1) {
    for (let k = 0; k <= n; k++) if (tail(n, k) < 0.05 / sides) return k;
    return n + 1;
  }
  const coin = () => crypto.getRandomValues(new Uint8Array(1))[0] & 1;

  // blindRun is a run whose number of trials is fixed before its first. There is no
  // result before its last answer.
  function blindRun(trials, preference) {
    const answers = [];
    let hidden = coin();
    return {
      get hidden() { return hidden; }, // ABX: which one is X; preference: which one is first
      get done() { return answers.length; },
      answer(said) {
        if (answers.length === trials) return;
        // X was named; or, of a preference, version A was chosen.
        answers.push(said === hidden);
        hidden = coin();
      },
      result() {
        if (answers.length < trials) return null;
        const k = answers.filter(Boolean).length;
        const p = preference ? Math.min(1, 2 * tail(trials, Math.max(k, trials - k))) : tail(trials, k);
        return { trials, k, p, answers, needed: least(trials, preference ? 2 : 1) };
      },
    };
  }
  // holm is what Holm's correction makes of several p (Scandinavian Journal of
  // Statistics 6:65, 1979).
  function holm(all) {
    const order = all.map((p, i) => [p, i]).sort((a, b) => a[0] - b[0]), out = [];
    let most = 0;
    order.forEach(([p, i], k) => { most = Math.max(most, Math.min(1, (all.length - k) * p)); out[i] = most; });
    return out;
  }
  globalThis.listening = Object.freeze({ unpack, Desk, tail, least, blindRun, holm });

  const data = JSON.parse(document.getElementById("sound").textContent);
  const $ = id => document.getElementById(id);
  const count = data.versions.length;
  const names = data.versions.map(v => v.name);
  let desk = null, planes = null, db = -30, run = null, kind = "", pair = [0, 1], lifted = false;
  const finished = [];
  const say = text => { $("say").textContent = text; };
  const time = s => `${Math.floor(s / 60)}:${(s % 60).toFixed(2).padStart(5, "0")}`;

  function show(i) {
    document.querySelectorAll("#versions button").forEach((b, k) => b.setAttribute("aria-pressed", String(k === i)));
  }
  function choose(i) {
    if (!desk || run || i >= data.sounds.length) return;
    if (lifted && i < count) lift();
    desk.choose(i);
    show(i);
    say(desk.playing ? `Playing ${data.sounds[i].name}` : `Chosen: ${data.sounds[i].name}`);
    $("lift").hidden = i < count;
  }
  // Of a blind run: 0 is A or the first, 1 is B or the second, 2 is X.
  function chooseBlind(i) {
    if (!desk || !run) return;
    const which = kind === "preference" ? i ^ run.hidden : i === 2 ? run.hidden : i;
    desk.choose(pair[which]);
    say(`Trial ${run.done + 1}. Playing ${kind === "preference" ? ["the first", "the second"][i] : "ABX"[i]}`);
  }
  async function play() {
    if (!planes) return;
    if (!desk) {
      const ctx = new AudioContext({ sampleRate: data.rate }); // at another rate the browser resamples
      desk = new Desk(ctx, planes, data.rate);
      desk.choose(0);
      if (!run) show(0);
    }
    if (desk.playing) {
      desk.from = desk.position;
      desk.halt();
      desk.master.gain.cancelScheduledValues(0);
      desk.master.gain.value = 0;
      $("play").textContent = "Play";
      say("Stopped");
      return;
    }
    await desk.ctx.resume();
    desk.play(desk.from);
    desk.level(db, 1);
    $("play").textContent = "Stop";
    say(run ? `Trial ${run.done + 1}. Playing` : `Playing ${data.sounds[Math.max(0, desk.on)].name}`);
  }
  function volume(to) {
    db = Math.min(0, Math.max(-60, to));
    $("level").value = db;
    $("db").textContent = `${String(db).replace("-", "−")} dB`;
    if (desk && desk.playing) desk.level(db, 0.1);
  }
  function setLoop(loop) {
    if (!desk || loop[1] - loop[0] < 0.1) { say("A loop is a tenth of a second at least"); return; }
    const at = desk.position;
    desk.loop = loop;
    if (desk.playing) desk.play(at >= loop[0] && at < loop[1] ? at : loop[0]); else desk.from = loop[0];
    $("loop").textContent = `${time(loop[0])} to ${time(loop[1])}`;
  }
  const edge = k => { if (desk) { const l = [...desk.loop]; l[k] = desk.position; setLoop(l); } };
  const whole = () => desk && setLoop([0, planes[0][0].length / data.rate]);
  function seek(to) { if (!desk) return; if (desk.playing) desk.play(to); else desk.from = to; }
  // The difference signal 20 dB louder, from a level 20 dB lower: what is heard stays as
  // loud at first. No sample may pass full scale.
  function lift() {
    if (!desk) return;
    lifted = !lifted;
    for (let i = count; i < data.sounds.length; i++) {
      let peak = 0;
      for (const p of planes[i]) for (const x of p) peak = Math.max(peak, Math.abs(x));
      desk.lift[i] = lifted ? Math.min(10, peak > 0 ? 1 / peak : 10) : 1;
      if (desk.on === i) { const t = desk.ctx.currentTime, now = desk.gains[i].gain.value; desk.gains[i].gain.cancelScheduledValues(t); desk.gains[i].gain.setValueAtTime(now, t); desk.gains[i].gain.linearRampToValueAtTime(desk.lift[i], t + 0.05); }
    }
    if (lifted) volume(db - 20);
    $("lift").setAttribute("aria-pressed", String(lifted));
    say(lifted ? "Difference up to 20 dB louder; the level was turned down by 20 dB" : "Difference at its true level");
  }

  function begin() {
    if (run) { leave(); return; }
    if (!desk || !desk.playing) { say("Press Play first, at a comfortable level"); return; }
    pair = [+$("one").value, +$("other").value];
    if (pair[0] === pair[1]) { say("Choose two different versions"); return; }
    if (lifted) lift();
    kind = $("kind").value;
    const n = +$("trials").value;
    run = blindRun(n, kind === "preference");
    document.body.classList.add("blind");
    $("begin").textContent = "Leave the run";
    $("setup").disabled = true;
    for (const id of ["a", "b", "x", "isA", "isB"]) $(id).disabled = false;
    const text = kind === "preference" ? ["First", "Second", "", "I prefer the first", "I prefer the second"] : ["A", "B", "X", "X is A", "X is B"];
    ["a", "b", "x", "isA", "isB"].forEach((id, i) => { $(id).textContent = text[i]; });
    $("x").hidden = kind === "preference";
    $("blind").hidden = false;
    $("result").textContent = "";
    chooseBlind(0);
    say(kind === "preference" ? `Trial 1 of ${n}. Which do you prefer? ${least(n, 2)} of ${n} for one version are needed.` : `Trial 1 of ${n}. Is X A or B? ${least(n)} right answers of ${n} are needed.`);
  }
  function over() {
    run = null;
    document.body.classList.remove("blind");
    $("blind").hidden = true;
    $("begin").textContent = "Begin";
    $("setup").disabled = false;
    show(desk.on);
  }
  function leave() {
    const done = run.done;
    over();
    $("result").textContent = `Not finished: left after ${done} answers. Such a run has no result.`;
    say("Run left");
  }
  function answer(said) {
    if (!run) return;
    run.answer(said);
    const r = run.result();
    if (!r) { chooseBlind(kind === "preference" ? 0 : 2); say(`Trial ${run.done + 1} of ${$("trials").value}.`); return; }
    const two = kind === "preference" ? 2 : 1, found = r.p < 0.05;
    finished.push(r.p);
    over();
    const power = tail(r.trials, r.needed, 0.8) + (two === 2 ? tail(r.trials, r.needed, 0.2) : 0);
    const lines = [
      `${kind === "preference" ? "Preference" : "ABX"} of ${names[pair[0]]} and ${names[pair[1]]}, ${r.trials} trials.`,
      kind === "preference" ? `${names[pair[0]]} was preferred ${r.k} times, ${names[pair[1]]} ${r.trials - r.k} times.` : `${r.k} of ${r.trials} right; ${r.needed} were needed.`,
      `The probability of at least this result by guessing alone: p = ${r.p.toFixed(4)} (${two === 2 ? "two-sided" : "one-sided"} binomial).`,
      found ? "Found: p is under 0.05." : "Not found, which is not the same as no difference.",
      `A listener who ${two === 2 ? "prefers one version" : "is right"} in 80 % of trials would be found in ${Math.round(100 * power)} % of such runs.`,
      `Answers: ${r.answers.map(x => x ? "1" : "0").join("")} (1: ${kind === "preference" ? names[pair[0]] : "right"}). Page ${data.digest}.`,
    ];
    if (finished.length > 1) lines.push(`Of the ${finished.length} runs on this page, by Holm's correction: ${holm(finished).map(p => "p = " + p.toFixed(4)).join(", ")}.`);
    $("result").textContent = lines.join("\n");
    say("The run is over; its result stands below.");
  }

  function setUp() {
    data.sounds = [...data.versions, ...data.differences];
    data.sounds.forEach((v, i) => {
      const b = document.createElement("button");
      b.textContent = i < count ? `${i + 1}: ${v.name}` : `Difference: ${v.name}`;
      b.setAttribute("aria-pressed", "false");
      b.onclick = () => choose(i);
      $("versions").append(b);
      if (i < count) for (const id of ["one", "other"]) { const o = document.createElement("option"); o.value = i; o.textContent = `${i + 1}: ${v.name}`; $(id).append(o); }
    });
    $("other").value = 1;
    $("play").onclick = play;
    $("level").oninput = e => volume(+e.target.value);
    $("position").oninput = e => seek(+e.target.value);
    $("from").onclick = () => edge(0);
    $("to").onclick = () => edge(1);
    $("whole").onclick = whole;
    $("lift").onclick = lift;
    $("begin").onclick = begin;
    $("a").onclick = () => chooseBlind(0);
    $("b").onclick = () => chooseBlind(1);
    $("x").onclick = () => chooseBlind(2);
    $("isA").onclick = () => answer(0);
    $("isB").onclick = () => answer(1);
    document.onkeydown = e => {
      const tag = e.target.tagName;
      if (e.ctrlKey || e.metaKey || e.altKey || tag === "SELECT" || tag === "INPUT" && e.key.startsWith("Arrow") || tag === "BUTTON" && (e.key === " " || e.key === "Enter")) return;
      const keys = {
        " ": play, "[": () => edge(0), "]": () => edge(1), "+": () => volume(db + 1), "-": () => volume(db - 1),
        a: () => run ? chooseBlind(0) : choose(0), b: () => run ? chooseBlind(1) : choose(1), x: () => run && kind !== "preference" && chooseBlind(2),
      };
      const digit = e.key >= "1" && e.key <= "6" && +e.key <= count;
      const f = digit && !run ? () => choose(e.key - 1) : keys[e.key];
      if (f) { e.preventDefault(); f(); }
    };
    setInterval(() => { if (desk && desk.playing) { $("position").value = desk.position; $("now").textContent = time(desk.position); } }, 100);
    unpackAll(data.sounds).then(p => {
      planes = p;
      $("position").max = p[0][0].length / data.rate;
      $("loop").textContent = `0:00.00 to ${time(p[0][0].length / data.rate)}`;
      $("play").disabled = false;
      $("play").textContent = "Play";
      say("Ready");
    }, f => say(`The sound could not be unpacked: ${f.message}`));
  }
  setUp();
})();
