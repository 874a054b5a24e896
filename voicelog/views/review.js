"use strict";
(() => {
  const told = document.getElementById("told");
  const held = document.getElementById("clips");
  let clips = null;
  const buffers = new Map();
  let context = null, playing = null, turn = 0;

  const say = (text) => { if (told) told.textContent = text; };

  // The bytes of a clip: out of the page itself, or from the server that gave the page.
  const bytes = async (name) => {
    if (!held) {
      const answer = await fetch(`/clip/${location.pathname.split("/")[2]}/${name}`);
      if (!answer.ok) throw new Error("no audio");
      return answer.arrayBuffer();
    }
    // Of a long case it is tens of megabytes: read when the first sound is asked for.
    clips = clips || JSON.parse(held.textContent);
    if (!clips[name]) throw new Error("no audio");
    const text = atob(clips[name].split(",")[1]);
    return Uint8Array.from(text, (sign) => sign.charCodeAt(0)).buffer;
  };

  // Exactly from start to end: the audio clock places both on a sample, which an audio element would not.
  const play = async (name, start, end) => {
    const mine = ++turn;
    try {
      context = context || new AudioContext();
      if (!buffers.has(name)) buffers.set(name, await context.decodeAudioData(await bytes(name)));
      const buffer = buffers.get(name);
      if (buffers.size > 20) buffers.delete(buffers.keys().next().value);
      if (mine !== turn) return;
      // A browser plays nothing before the first click or key in a page.
      if (context.state === "suspended" && !navigator.userActivation.hasBeenActive) {
        say("Press a key or click once: before that, the browser plays no sound.");
        return;
      }
      await context.resume();
      if (mine !== turn) return;
      if (playing) playing.stop();
      playing = context.createBufferSource();
      playing.buffer = buffer;
      playing.connect(context.destination);
      const until = end === null ? buffer.duration : end;
      playing.start(0, start, until - start);
      document.body.dataset.played = `${name} ${start} ${until}`;
      say("");
    } catch (error) {
      if (mine === turn) say("This audio cannot be played: it was deleted, was never kept, or cannot be decoded here.");
    }
  };
  // A whole utterance has a clip; a field has a span of the clip of its utterance, which is the one of its row if not told.
  const playOf = (node) => {
    const near = node.closest("[data-clip]") || (node.closest(".row") || document).querySelector("[data-clip]");
    const said = node.dataset.in ? document.getElementById(node.dataset.in) : near;
    if (!said || !said.dataset.clip) return;
    const [start, end] = node.dataset.span ? node.dataset.span.split(" ").map(Number) : [0, null];
    play(said.dataset.clip, start, end);
  };

  // An entry, its mark in the chart, its fields and its words belong together; all are found when they are pointed at, so
  // that a long case opens no slower for it.
  const all = (selector) => [...document.querySelectorAll(selector)];
  const quoted = (text) => `"${CSS.escape(text)}"`;
  const inChart = (entry) => all(`svg a[href=${quoted("#" + entry)}]`);
  const related = (node) => {
    const keys = node.dataset.key ? [node.dataset.key] : (node.dataset.fields || "").split(" ").filter(Boolean);
    const fields = keys.flatMap((key) => all(`[data-key=${quoted(key)}], [data-fields~=${quoted(key)}]`));
    if (keys.length) return [...fields, ...keys.flatMap((key) => inChart(key.slice(0, key.lastIndexOf("."))))];
    const entry = node.id || node.getAttribute("href").slice(1);
    const own = document.getElementById(entry);
    return [...(own ? [own] : []), ...inChart(entry), ...all(`[data-fields*=${quoted(entry + ".")}]`)];
  };
  let lit = [];
  const light = (nodes) => {
    for (const node of lit) node.classList.remove("lit");
    lit = nodes;
    for (const node of lit) node.classList.add("lit");
  };
  const pointable = "[data-key], [data-fields], svg a, .entry, .said > p > a[href^='#']";
  let last = null;
  const pointed = (event) => {
    const node = event.target.closest && event.target.closest(pointable);
    if (node === last) return;
    last = node;
    if (!node) return;
    light(related(node));
    const sound = document.getElementById("sound");
    if (node.dataset.span && sound && sound.checked) playOf(node);
  };
  document.addEventListener("mouseover", pointed);
  document.addEventListener("focusin", pointed);
  document.addEventListener("click", (event) => {
    const node = event.target.closest(".play, [data-span]");
    if (node) playOf(node);
  });

  const show = document.getElementById("show");
  if (show) show.addEventListener("change", () => {
    for (const row of document.querySelectorAll(".row"))
      row.classList.toggle("hidden", show.value !== "" && !row.classList.contains(show.value));
  });
  const filter = document.getElementById("filter"), waiting = document.getElementById("waiting");
  const sift = () => {
    const wanted = filter.value.toLowerCase();
    for (const row of document.querySelectorAll("tbody tr")) {
      const fits = row.textContent.toLowerCase().includes(wanted) && (!waiting.checked || row.classList.contains("open"));
      row.classList.toggle("hidden", !fits);
    }
  };
  for (const node of [filter, waiting]) if (node) node.addEventListener("input", sift);
})();
