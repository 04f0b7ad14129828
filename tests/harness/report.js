// The page reads without this. With it: one player at a time, a change of player keeps the place, both are held
// at equal loudness, and a mark follows in the pictures.
(function () {
   "use strict";
   let last = null;
   let isFollowing = false;

   function players(signal) {
      return Array.from(document.querySelectorAll("audio")).filter((audio) => audio.dataset.signal === signal);
   }

   function settle(audio) {
      const box = document.getElementById("equal-" + audio.dataset.signal);
      audio.volume = !box || box.checked ? Math.pow(10, -Number(audio.dataset.over || 0) / 20) : 1;
   }

   function mark(audio) {
      const signal = document.getElementById(audio.dataset.signal);
      for (const line of signal ? signal.querySelectorAll(".playhead") : []) {
         const from = Number(line.dataset.from);
         const share = (100 * (audio.currentTime - from)) / (Number(line.dataset.to) - from);
         line.setAttribute("x1", share + "%");
         line.setAttribute("x2", share + "%");
         line.style.visibility = share >= 0 && share <= 100 ? "visible" : "hidden";
      }
   }

   function follow() {
      if (last) {
         mark(last);
      }
      isFollowing = last !== null && !last.paused;
      if (isFollowing) {
         requestAnimationFrame(follow);
      }
   }

   for (const audio of document.querySelectorAll("audio")) {
      settle(audio);
      audio.addEventListener("play", function () {
         if (last && last !== audio) {
            if (last.dataset.signal === audio.dataset.signal && !last.paused) {
               audio.currentTime = last.currentTime;
            }
            last.pause();
         }
         last = audio;
         if (!isFollowing) {
            follow();
         }
      });
      audio.addEventListener("seeked", () => mark(audio));
   }

   for (const level of document.querySelectorAll(".level")) {
      level.hidden = false;
      level.querySelector("input").addEventListener("change", function (event) {
         players(event.target.id.slice("equal-".length)).forEach(settle);
      });
   }

   for (const canvas of document.querySelectorAll(".timed")) {
      canvas.addEventListener("click", function (event) {
         const signal = canvas.closest(".signal, .session");
         const all = signal ? players(signal.id) : [];
         const audio = all.includes(last) ? last : all[0];
         if (audio) {
            const line = canvas.querySelector(".playhead");
            const box = canvas.getBoundingClientRect();
            const from = Number(line.dataset.from);
            audio.currentTime = from + ((event.clientX - box.left) / box.width) * (Number(line.dataset.to) - from);
            last = audio;
            mark(audio);
         }
      });
   }

   window.addEventListener("beforeprint", function () {
      for (const details of document.querySelectorAll("details")) {
         details.open = true;
      }
   });
})();
