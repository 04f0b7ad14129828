// The player. All alternatives lie side by side in one buffer that one source plays, so that nothing can pull them
// apart; a switch only moves gains. The samples come by scripts, since a page from disk may not read other files.
(function () {
   "use strict";
   const SWITCH_S = 0.004; // time constant of a cross-fade
   const EDGE_S = 0.004; // the same for the edges of what is played
   const SETTLED_S = 0.08; // until a fade is over
   const AHEAD_S = 0.02; // for what has to happen at one time
   const SEAM_S = 0.01; // cross-fade where a loop closes
   const STEP_S = 2;
   const SHORTEST_LOOP_S = 0.05;
   const OUTLINE_COLUMNS = 500;

   const byId = (id) => document.getElementById(id);
   const player = byId("player");
   const rate = Number(player.dataset.rate);
   const nChannels = Number(player.dataset.channels);
   const nFrames = Number(player.dataset.frames);
   const length = nFrames / rate;
   const choices = Array.from(document.querySelectorAll(".choice"));
   const names = choices.map((choice) => choice.dataset.name);
   const n = choices.length;
   const controls = Array.from(player.querySelectorAll("button, input")).filter((control) => control.id !== "note-it");
   const storageKey = "bookmatch-audition-" + choices.map((choice) => choice.dataset.id).join("");

   let buffer = null; // alternative k has the channels from k * nChannels on
   let looped = null; // the passage that is looped, its seam closed
   let context = null;
   let graph = null;
   let source = null; // what plays: {node, envelope, from}
   let at = 0; // s, where it stands or was started
   let startedAt = 0; // time of the context
   let loop = { on: false, from: 0, to: length };
   let order = names.map((name, k) => k); // alternative in each place
   let place = 0;
   let lastPlace = 0; // that was heard before it
   let isBlind = false;
   let isMono = false;
   let volumeDb = Number(player.dataset.volume);
   let notes = [];

   // ---- samples ----

   const filled = choices.map(() => 0);
   const ended = choices.map(() => "");

   window.bookmatchAudio = function (k, text) {
      const bytes = atob(text);
      const count = bytes.length / (3 * nChannels);
      for (let c = 0; c < nChannels; ++c) {
         const channel = buffer.getChannelData(k * nChannels + c);
         for (let i = 0, b = 3 * c; i < count; ++i, b += 3 * nChannels) {
            const step = bytes.charCodeAt(b) | (bytes.charCodeAt(b + 1) << 8) | (bytes.charCodeAt(b + 2) << 16);
            channel[filled[k] + i] = ((step << 8) >> 8) / 8388608;
         }
      }
      filled[k] += count;
   };

   window.bookmatchAudioEnd = function (k, id) {
      ended[k] = id;
   };

   function say(words, hasFailed) {
      const status = byId("status");
      status.textContent = words;
      status.classList.toggle("failed", hasFailed === true);
   }

   function load(k) {
      if (k === n) {
         begin();
         return;
      }
      const script = document.createElement("script");
      const file = choices[k].dataset.script;
      say("Loading " + (k + 1) + " of " + n);
      script.onload = function () {
         script.remove();
         if (ended[k] !== choices[k].dataset.id || filled[k] !== nFrames) {
            say("\"" + decodeURI(file) + "\" beside this page belongs to another audition; run the audition again.", true);
         } else {
            load(k + 1);
         }
      };
      script.onerror = () => say("\"" + decodeURI(file) + "\" is not beside this page; keep the folder together.", true);
      script.src = file;
      document.head.append(script);
   }

   // ---- sound ----

   function makeGraph(to, destination) {
      const input = to.createChannelSplitter(n * nChannels);
      const output = to.createGain();
      const gains = names.map(function (name, k) {
         const merger = to.createChannelMerger(nChannels);
         const gain = to.createGain();
         for (let c = 0; c < nChannels; ++c) {
            input.connect(merger, k * nChannels + c, c);
         }
         gain.gain.value = 0;
         merger.connect(gain).connect(output);
         return gain.gain;
      });
      // As it is, and folded to mono: half the sum of left and right, the same on both sides.
      const straight = to.createGain();
      const folded = to.createGain();
      folded.channelCount = 1;
      folded.channelCountMode = "explicit";
      folded.gain.value = 0;
      output.connect(straight).connect(destination);
      output.connect(folded).connect(destination);
      return {
         input: input,
         output: output,
         heard: [straight, folded],
         fold: function (on, time) {
            straight.gain.setTargetAtTime(on ? 0 : 1, time, SWITCH_S);
            folded.gain.setTargetAtTime(on ? 1 : 0, time, SWITCH_S);
         },
         begin: (k) => gains.forEach((gain, g) => (gain.value = g === k ? 1 : 0)),
         // All start together and approach their ends alike, so that they add up to 1 at any time, even when one
         // switch cuts into another.
         select: (k, time) => gains.forEach((gain, g) => gain.setTargetAtTime(g === k ? 1 : 0, time, SWITCH_S)),
      };
   }

   function startSource(to, input, samples, time, offset, loops) {
      const node = to.createBufferSource();
      const envelope = to.createGain();
      envelope.channelInterpretation = "discrete";
      node.buffer = samples;
      node.loop = loops;
      envelope.gain.value = 0;
      envelope.gain.setTargetAtTime(1, time, EDGE_S);
      node.connect(envelope).connect(input);
      node.start(time, offset);
      return { node: node, envelope: envelope };
   }

   // The passage with its end blended into what comes before its beginning, so that it closes without a click.
   function closeLoop(from, to) {
      const first = Math.round(from * rate);
      const count = Math.max(1, Math.round(to * rate) - first);
      const seam = Math.min(Math.round(SEAM_S * rate), count >> 1);
      const closed = new AudioBuffer({ length: count, numberOfChannels: n * nChannels, sampleRate: rate });
      for (let c = 0; c < n * nChannels; ++c) {
         const whole = buffer.getChannelData(c);
         const part = closed.getChannelData(c);
         part.set(whole.subarray(first, first + count));
         for (let i = 0; i < seam; ++i) {
            const share = (i + 1) / (seam + 1);
            const before = first - seam + i >= 0 ? whole[first - seam + i] : 0;
            part[count - seam + i] += share * (before - part[count - seam + i]);
         }
      }
      return closed;
   }

   function amplitude(db) {
      return db <= -60 ? 0 : Math.pow(10, db / 20);
   }

   function openContext() {
      if (context) {
         return;
      }
      try {
         context = new AudioContext({ sampleRate: rate });
      } catch (refused) {
         context = new AudioContext();
      }
      graph = makeGraph(context, context.destination);
      graph.begin(order[place]);
      graph.output.gain.value = amplitude(volumeDb);
      if (isMono) {
         graph.fold(true, 0);
      }
   }

   function position() {
      if (!source) {
         return at;
      }
      const now = at + Math.max(0, context.currentTime - startedAt);
      const span = loop.to - loop.from;
      return loop.on && now > loop.to ? loop.from + ((now - loop.from) % span) : Math.min(now, length);
   }

   function silence() {
      if (source) {
         const time = context.currentTime + AHEAD_S;
         source.node.onended = null;
         source.envelope.gain.setTargetAtTime(0, time, EDGE_S);
         source.node.stop(time + SETTLED_S);
         source = null;
      }
   }

   function start(from) {
      openContext();
      context.resume();
      silence();
      at = loop.on && (from < loop.from || from >= loop.to) ? loop.from : from >= length ? 0 : from;
      startedAt = context.currentTime + AHEAD_S;
      if (loop.on && !looped) {
         looped = closeLoop(loop.from, loop.to);
      }
      const begun = startSource(context, graph.input, loop.on ? looped : buffer, startedAt,
         loop.on ? at - loop.from : at, loop.on);
      begun.node.onended = function () {
         at = 0;
         source = null;
         show();
      };
      source = begun;
   }

   function play() {
      if (source) {
         at = position();
         silence();
      } else {
         start(at);
      }
      show();
   }

   function seek(to) {
      const wanted = Math.min(Math.max(to, 0), Math.max(0, length - 0.01));
      if (source) {
         start(wanted);
      } else {
         at = wanted;
      }
      show();
   }

   function setLoop(on, from, to) {
      const now = position();
      loop = { on: on, from: from, to: to };
      looped = null;
      if (source) {
         start(now);
      } else if (on && (at < from || at >= to)) {
         at = from;
      }
      show();
   }

   function loopFrom() {
      const now = position();
      setLoop(true, now, loop.to - now > SHORTEST_LOOP_S ? loop.to : length);
   }

   function loopTo() {
      const now = Math.max(position(), SHORTEST_LOOP_S);
      setLoop(true, now - loop.from > SHORTEST_LOOP_S ? loop.from : 0, now);
   }

   function setVolume(db) {
      volumeDb = Math.min(Math.max(db, -60), 0);
      if (graph) {
         graph.output.gain.setTargetAtTime(amplitude(volumeDb), context.currentTime, 0.02);
      }
      show();
   }

   function setMono(on) {
      isMono = on && nChannels === 2;
      if (graph) {
         graph.fold(isMono, context.currentTime + AHEAD_S);
      }
      show();
   }

   function select(chosen) {
      if (chosen < 0 || chosen >= n) {
         return;
      }
      lastPlace = chosen === place ? lastPlace : place;
      place = chosen;
      choices[place].querySelector("input").checked = true;
      choices.forEach((choice, p) => choice.classList.toggle("is-chosen", p === place));
      if (graph) {
         graph.select(order[place], context.currentTime + AHEAD_S);
      }
   }

   // ---- what is shown ----

   function clock(seconds) {
      const tenths = Math.floor(seconds * 10 + 1e-6);
      return Math.floor(tenths / 600) + ":" + String(Math.floor(tenths / 10) % 60).padStart(2, "0") + "." + (tenths % 10);
   }

   function minus(text) {
      return text.replace("-", "\u2212");
   }

   function showPosition() {
      const now = position();
      const x = (1000 * now) / length;
      byId("head").setAttribute("d", "M" + x.toFixed(2) + " 0v100");
      byId("time").textContent = clock(now) + " / " + clock(length);
      if (document.activeElement !== byId("seek") || source) {
         byId("seek").value = now;
      }
      byId("seek").setAttribute("aria-valuetext", clock(now) + " of " + clock(length));
   }

   let isFollowing = false;
   function follow() {
      showPosition();
      isFollowing = source !== null;
      if (isFollowing) {
         requestAnimationFrame(follow);
      }
   }

   function show() {
      const hasRegion = loop.from > 0 || loop.to < length;
      byId("play").textContent = source ? "Pause" : "Play";
      byId("loop").setAttribute("aria-pressed", String(loop.on));
      byId("loop-clear").disabled = !hasRegion;
      byId("mono").setAttribute("aria-pressed", String(isMono));
      byId("region").setAttribute("x", (1000 * loop.from) / length);
      byId("region").setAttribute("width", hasRegion || loop.on ? (1000 * (loop.to - loop.from)) / length : 0);
      byId("region").style.opacity = loop.on ? "" : "0.1";
      byId("volume").value = volumeDb;
      const volume = volumeDb <= -60 ? "off" : minus(volumeDb + " dB");
      byId("volume-value").textContent = volume;
      byId("volume").setAttribute("aria-valuetext", volume);
      if (!isFollowing) {
         follow();
      }
   }

   // The extremes of all alternatives together: nothing in it tells which one plays.
   function drawOutline() {
      const highest = new Float32Array(OUTLINE_COLUMNS);
      let peak = 1e-6;
      for (let c = 0; c < n * nChannels; ++c) {
         const samples = buffer.getChannelData(c);
         for (let i = 0; i < nFrames; ++i) {
            const column = Math.floor((i * OUTLINE_COLUMNS) / nFrames);
            const size = Math.abs(samples[i]);
            highest[column] = size > highest[column] ? size : highest[column];
            peak = size > peak ? size : peak;
         }
      }
      const width = 1000 / OUTLINE_COLUMNS;
      let path = "";
      highest.forEach(function (size, column) {
         const height = Math.max(0.5, (48 * size) / peak);
         path += "M" + (column * width).toFixed(1) + " " + (50 - height).toFixed(1) + "h" + width.toFixed(1) + "v" +
            (2 * height).toFixed(1) + "h-" + width.toFixed(1) + "z";
      });
      byId("outline").setAttribute("d", path);
   }

   function placeName(p) {
      return isBlind ? String.fromCharCode(65 + p) : names[order[p]];
   }

   function showChoices() {
      player.classList.toggle("is-blind", isBlind);
      byId("told").hidden = isBlind;
      byId("blind").setAttribute("aria-pressed", String(isBlind));
      choices.forEach(function (choice, p) {
         choice.querySelector(".name").textContent = placeName(p);
         choice.querySelector(".note").textContent = isBlind ? "" : choice.dataset.note;
      });
      const preferred = byId("preferred");
      preferred.querySelectorAll("label").forEach((label) => label.remove());
      for (let p = 0; p <= n; ++p) {
         const label = document.createElement("label");
         const radio = document.createElement("input");
         radio.type = "radio";
         radio.name = "preferred";
         radio.value = String(p);
         radio.addEventListener("change", () => (byId("note-it").disabled = false));
         label.append(radio, p < n ? placeName(p) : "No difference to speak of");
         preferred.append(label);
      }
      byId("words").value = "";
      byId("note-it").disabled = true;
      byId("note-it").textContent = isBlind ? "Note it and reveal" : "Note it";
      byId("blind-help").textContent = isBlind
         ? "Names, figures and settings are hidden. Note a choice to reveal them; press again to give up."
         : "Shuffles the alternatives and hides their names, figures and settings until you have noted a choice.";
   }

   // ---- blind, and notes ----

   function below(limit) {
      const most = Math.floor(4294967296 / limit) * limit;
      const draw = new Uint32Array(1);
      do {
         crypto.getRandomValues(draw);
      } while (draw[0] >= most);
      return draw[0] % limit;
   }

   // What played stops: to hear it go on would tell its name.
   function setBlind(on) {
      const playing = order[place];
      if (on && source) {
         play();
      }
      isBlind = on;
      order = names.map((name, k) => k);
      for (let k = n - 1; on && k > 0; --k) {
         const other = below(k + 1);
         [order[k], order[other]] = [order[other], order[k]];
      }
      select(on ? 0 : playing);
      lastPlace = place;
      showChoices();
      say(on ? "Blind: the alternatives are shuffled." : "Names are shown.");
   }

   function noteIt(event) {
      event.preventDefault();
      const checked = byId("preferred").querySelector("input:checked");
      if (!checked) {
         return;
      }
      const p = Number(checked.value);
      const chosen = p < n ? names[order[p]] : null;
      const note = {
         when: new Date().toLocaleString(),
         chosen: chosen,
         isBlind: isBlind,
         places: isBlind ? order.map((k, slot) => placeName(slot) + " was " + names[k]) : [],
         letter: isBlind && p < n ? placeName(p) : "",
         words: byId("words").value.trim(),
      };
      notes.push(note);
      store();
      if (isBlind) {
         setBlind(false);
      } else {
         showChoices();
      }
      showNotes();
      // Out of the text, so that keys play again.
      choices[place].querySelector("input").focus();
      say(chosen === null ? "Noted: no difference to speak of. " + note.places.join(", ")
         : note.isBlind ? "Noted. " + note.letter + " was " + chosen + "." : "Noted: " + chosen + ".");
   }

   function describe(note) {
      const chosen = note.chosen === null ? "no difference to speak of" : note.letter ? note.letter + " = " + note.chosen : note.chosen;
      return (note.isBlind ? "Blind: " : "With names: ") + chosen + (note.words ? ", \"" + note.words + "\"" : "") +
         (note.places.length ? " (" + note.places.join(", ") + ")" : "");
   }

   function tally() {
      const blind = notes.filter((note) => note.isBlind);
      const counts = names.map((name) => name + " " + blind.filter((note) => note.chosen === name).length);
      return blind.length > 1 ? "Of " + blind.length + " blind choices: " + counts.join(", ") +
         ", no difference " + blind.filter((note) => note.chosen === null).length + "." : "";
   }

   function showNotes() {
      byId("notes").hidden = notes.length === 0;
      byId("rounds").replaceChildren(...notes.map(function (note) {
         const item = document.createElement("li");
         item.textContent = describe(note);
         return item;
      }));
      byId("tally").textContent = tally();
      const last = notes.length ? names.indexOf(notes[notes.length - 1].chosen) : -1;
      byId("keep").hidden = last < 0;
      byId("keep-line").textContent = last < 0 ? "" : choices[last].dataset.keep;
   }

   function notesAsText() {
      const lines = notes.map((note, k) => (k + 1) + ". " + note.when + "  " + describe(note));
      return [document.title, "Alternatives: " + names.join(", ")].concat(lines, tally() ? [tally()] : []).join("\n") + "\n";
   }

   // A browser may refuse to keep anything for a page from disk; then the notes live as long as the page.
   function store() {
      try {
         localStorage.setItem(storageKey, JSON.stringify(notes));
      } catch (refused) {
         return;
      }
   }

   function restore() {
      try {
         const kept = JSON.parse(localStorage.getItem(storageKey) || "[]");
         notes = Array.isArray(kept) ? kept.filter((note) => note && Array.isArray(note.places)) : [];
      } catch (refused) {
         notes = [];
      }
   }

   function save() {
      const link = document.createElement("a");
      const url = URL.createObjectURL(new Blob([notesAsText()], { type: "text/plain" }));
      link.href = url;
      link.download = "audition-notes.txt";
      link.click();
      setTimeout(() => URL.revokeObjectURL(url), 1000);
   }

   // ---- hands ----

   function onKey(event) {
      const target = event.target;
      const isText = target.matches("input[type=text]");
      const isButton = target.matches("button, summary, a");
      const ownsArrows = target.matches("input, pre, .wide");
      if (!buffer || byId("play").disabled || isText || event.ctrlKey || event.metaKey || event.altKey) {
         return;
      }
      const actions = {
         " ": isButton ? null : play,
         ArrowLeft: ownsArrows ? null : () => seek(position() - STEP_S),
         ArrowRight: ownsArrows ? null : () => seek(position() + STEP_S),
         Home: ownsArrows ? null : () => seek(loop.on ? loop.from : 0),
         l: () => setLoop(!loop.on, loop.from, loop.to),
         "[": loopFrom,
         "]": loopTo,
         x: () => select(lastPlace),
         m: () => setMono(!isMono),
         b: () => setBlind(!isBlind),
         "-": () => setVolume(volumeDb - 1),
         "+": () => setVolume(volumeDb + 1),
         "=": () => setVolume(volumeDb + 1),
      };
      const action = /^[1-9]$/.test(event.key) ? () => select(Number(event.key) - 1) : actions[event.key.toLowerCase()] || actions[event.key];
      if (action) {
         event.preventDefault();
         if (!event.repeat || /^[-+=]$|^Arrow/.test(event.key)) {
            action();
         }
      }
   }

   function listenToWave() {
      const wave = byId("wave");
      const timeOf = (event) => {
         const box = wave.getBoundingClientRect();
         return length * Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1);
      };
      let from = null;
      let downX = 0;
      wave.addEventListener("pointerdown", function (event) {
         from = wave.classList.contains("ready") ? timeOf(event) : null;
         downX = event.clientX;
         wave.setPointerCapture(event.pointerId);
      });
      wave.addEventListener("pointerup", function (event) {
         const to = timeOf(event);
         if (from !== null && Math.abs(event.clientX - downX) > 5 && Math.abs(to - from) > SHORTEST_LOOP_S) {
            setLoop(true, Math.min(from, to), Math.max(from, to));
         } else if (from !== null) {
            seek(to);
         }
         from = null;
      });
      wave.addEventListener("pointercancel", () => (from = null));
   }

   function listen() {
      byId("play").addEventListener("click", play);
      byId("seek").addEventListener("input", () => seek(Number(byId("seek").value)));
      byId("loop").addEventListener("click", () => setLoop(!loop.on, loop.from, loop.to));
      byId("loop-from").addEventListener("click", loopFrom);
      byId("loop-to").addEventListener("click", loopTo);
      byId("loop-clear").addEventListener("click", () => setLoop(loop.on, 0, length));
      byId("mono").addEventListener("click", () => setMono(!isMono));
      byId("volume").addEventListener("input", () => setVolume(Number(byId("volume").value)));
      byId("blind").addEventListener("click", () => setBlind(!isBlind));
      byId("verdict").addEventListener("submit", noteIt);
      byId("save").addEventListener("click", save);
      byId("forget").addEventListener("click", function () {
         notes = [];
         store();
         showNotes();
      });
      choices.forEach((choice, p) => choice.querySelector("input").addEventListener("change", () => select(p)));
      document.addEventListener("keydown", onKey);
      listenToWave();
      window.addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((d) => (d.open = true)));
   }

   function copyText(button, pre) {
      const done = () => {
         button.textContent = "Copied";
         setTimeout(() => (button.textContent = "Copy"), 1500);
      };
      const select = () => {
         getSelection().selectAllChildren(pre);
         if (document.execCommand("copy")) {
            done();
         }
      };
      if (navigator.clipboard) {
         navigator.clipboard.writeText(pre.textContent).then(done, select);
      } else {
         select();
      }
   }

   for (const button of document.querySelectorAll(".copy")) {
      button.hidden = false;
      button.addEventListener("click", () => copyText(button, button.closest(".paste").querySelector("pre")));
   }

   function begin() {
      drawOutline();
      controls.forEach((control) => (control.disabled = false));
      byId("wave").classList.add("ready");
      say("Ready. All play at the same loudness; the volume starts low.");
      show();
   }

   byId("keep-file").textContent = player.dataset.session;
   byId("mono").hidden = nChannels < 2;
   controls.forEach((control) => (control.disabled = true));
   byId("seek").max = length;
   select(0);
   restore();
   showChoices();
   showNotes();
   listen();
   show();
   try {
      buffer = new AudioBuffer({ length: nFrames, numberOfChannels: n * nChannels, sampleRate: rate });
      load(0);
   } catch (refused) {
      say("This browser cannot hold the audio (" + refused.message + "). The files further down open in any player.", true);
   }

   // For whoever wants to measure what is heard.
   window.bookmatchAudition = {
      makeGraph: makeGraph,
      startSource: startSource,
      closeLoop: closeLoop,
      position: position,
      live: () => ({ context: context, graph: graph, buffer: buffer, order: order.slice(), isPlaying: source !== null }),
   };
})();
