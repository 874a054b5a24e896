"use strict";
(() => {
  const told = document.getElementById("told");
  const held = document.getElementById("clips");
  const clips = held ? JSON.parse(held.textContent) : null;
  const buffers = new Map();
  let context = null, playing = null, turn = 0;

  const say = (text) => { if (told) told.textContent = text; };

  // The bytes of a clip: out of the page itself, or from the server that gave the page.
  const bytes = async (name) => {
    if (!clips) {
      const answer = await fetch(`/clip/${location.pathname.split("/")[2]}/${name}`);
      if (!answer.ok) throw new Error("no audio");
      return answer.arrayBuffer();
    }
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
      if (mine !== turn) return;
      if (playing) playing.stop();
      if (context.state === "suspended") context.resume();
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
  const playOf = (node) => {
    if (!node.dataset.clip) return;
    const { start, end } = node.dataset;
    play(node.dataset.clip, start ? Number(start) : 0, end ? Number(end) : null);
  };

  const byKey = new Map(), byWord = new Map(), byEvent = new Map();
  const put = (map, key, node) => { if (!map.has(key)) map.set(key, []); map.get(key).push(node); };
  for (const node of document.querySelectorAll("[data-key]")) put(byKey, node.dataset.key, node);
  const whole = "svg a, .entry, .said > p > a[href^='#']";
  const eventOf = (node) => node.id || node.getAttribute("href").slice(1);
  for (const node of document.querySelectorAll(whole)) put(byEvent, eventOf(node), node);
  for (const node of document.querySelectorAll("[data-fields]"))
    for (const key of node.dataset.fields.split(" ")) put(byWord, key, node);

  let lit = [];
  const light = (nodes) => {
    for (const node of lit) node.classList.remove("lit");
    lit = nodes;
    for (const node of lit) node.classList.add("lit");
  };
  const related = (node) => {
    if (node.dataset.key) return [node, ...(byWord.get(node.dataset.key) || [])];
    if (node.dataset.fields) return [node, ...node.dataset.fields.split(" ").flatMap((key) => byKey.get(key) || [])];
    return byEvent.get(eventOf(node)) || [node];
  };
  const found = (event) => event.target.closest && event.target.closest(`[data-key], [data-fields], ${whole}`);
  let last = null;
  const pointed = (event) => {
    const node = found(event);
    if (!node || node === last) return;
    last = node;
    light(related(node));
    const sound = document.getElementById("sound");
    if (node.dataset.key && sound && sound.checked) playOf(node);
  };
  document.addEventListener("mouseover", pointed);
  document.addEventListener("focusin", pointed);
  document.addEventListener("click", (event) => {
    const node = event.target.closest("[data-clip]");
    if (node) playOf(node);
  });

  const show = document.getElementById("show");
  if (show) show.addEventListener("change", () => {
    for (const row of document.querySelectorAll(".row"))
      row.classList.toggle("hidden", show.value !== "" && !row.classList.contains(show.value));
  });
  const filter = document.getElementById("filter");
  if (filter) filter.addEventListener("input", () => {
    const wanted = filter.value.toLowerCase();
    for (const row of document.querySelectorAll("tbody tr"))
      row.classList.toggle("hidden", !row.textContent.toLowerCase().includes(wanted));
  });
})();
