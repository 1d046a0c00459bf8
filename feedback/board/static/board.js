// Keeps the page true: shows what is known now, and says at once when nothing is known any more.
// Own lines and no library: what matters here is the loss of the connection, and libraries pause or retry in silence.
"use strict";
(function () {
  const PULSES_MISSED_MS = 6000;
  const lost = document.getElementById("lost");
  const clock = document.getElementById("clock");
  const linkWords = document.getElementById("link-words");
  let stream = null;
  let lastPulse = 0;
  let number = null; // of the state this page was made of
  let lastClock = clock ? clock.textContent : "";

  // -- live pieces ---------------------------------------------------------------------------------------------

  async function renew(piece) {
    const answer = await fetch(piece.dataset.live, { headers: { accept: "text/html" }, cache: "no-store" });
    if (answer.redirected) { location.reload(); return; }
    if (!answer.ok) throw new Error("status " + answer.status);
    const made = document.createElement("template");
    made.innerHTML = await answer.text(); // escaped by the board, like the page itself
    const fresh = made.content.firstElementChild;
    const shown = piece.firstElementChild;
    // A form that is being filled in stays as long as what it answers is the same.
    if (fresh.dataset.stamp !== undefined && shown && shown.dataset.stamp === fresh.dataset.stamp) return;
    const focused = piece.contains(document.activeElement) ? document.activeElement.id : "";
    piece.replaceChildren(made.content);
    const again = focused && document.getElementById(focused);
    if (again) again.focus();
    dress(piece);
  }

  let renewing = false;
  let renewAgain = false;
  async function renewAll() {
    if (renewing) { renewAgain = true; return; }
    renewing = true;
    try {
      do {
        renewAgain = false;
        for (const piece of document.querySelectorAll("[data-live]")) await renew(piece);
      } while (renewAgain);
      found();
    } catch (trouble) {
      lose();
      if (stream) setTimeout(renewAll, 2000);
    } finally {
      renewing = false;
    }
  }

  // -- the connection ------------------------------------------------------------------------------------------

  function lose() {
    if (!lost.hidden) return;
    document.getElementById("lost-since").textContent = lastClock;
    lost.hidden = false;
    document.body.classList.add("is-lost");
    if (linkWords) linkWords.textContent = "last known";
    for (const button of document.querySelectorAll(".answering button[name], .answering .accept")) button.disabled = true;
  }

  function found() {
    if (lost.hidden) return;
    lost.hidden = true;
    document.body.classList.remove("is-lost");
    for (const button of document.querySelectorAll(".answering button")) button.disabled = false;
  }

  function open() {
    if (stream) stream.close();
    stream = new EventSource("/events");
    stream.addEventListener("moved", function (event) {
      for (const news of document.querySelectorAll("[data-news]")) {
        news.hidden = number === null || number === event.data;
      }
      if (number === null) number = event.data;
      renewAll();
    });
    stream.addEventListener("pulse", function (event) {
      lastPulse = performance.now();
      lastClock = JSON.parse(event.data);
      if (clock) clock.textContent = lastClock;
      if (linkWords && lost.hidden) linkWords.textContent = "live";
    });
    stream.addEventListener("error", function () {
      lose();
      // The browser tries again by itself, unless the answer was a refusal.
      if (stream && stream.readyState === EventSource.CLOSED) setTimeout(open, 2000);
    });
    lastPulse = performance.now();
  }

  function close() {
    if (stream) stream.close();
    stream = null;
  }

  // A stream that stands still without an error: a network that has gone away says nothing.
  setInterval(function () {
    if (stream && performance.now() - lastPulse > PULSES_MISSED_MS) {
      lose();
      open();
    }
  }, 1000);
  // A page nobody sees lets its stream go (a browser has only six), and asks anew before it is looked at.
  document.addEventListener("visibilitychange", function () {
    if (document.hidden) close(); else { lose(); open(); }
  });
  window.addEventListener("pagehide", close);
  window.addEventListener("pageshow", function (event) { if (event.persisted) { lose(); open(); } });

  // -- fingers with gloves -------------------------------------------------------------------------------------

  function dress(within) {
    for (const pad of within.querySelectorAll("[data-pad]")) {
      pad.hidden = false;
      const field = document.getElementById(pad.dataset.pad);
      pad.addEventListener("click", function (event) {
        const key = event.target.closest("button");
        if (!key) return;
        if (key.value === "clear") field.value = "";
        else if (key.value === "back") field.value = field.value.slice(0, -1);
        else if (field.value.length < field.maxLength) field.value += key.value;
      });
    }
    for (const row of within.querySelectorAll("[data-quick]")) {
      row.hidden = false;
      const field = document.getElementById(row.dataset.quick);
      row.addEventListener("click", function (event) {
        if (event.target.tagName === "BUTTON") field.value = event.target.textContent;
      });
    }
    for (const knob of within.querySelectorAll("input[type=range]")) {
      knob.addEventListener("input", function () { knob.parentElement.querySelector("output").value = knob.value; });
    }
    for (const form of within.querySelectorAll("form[data-waits]")) {
      form.addEventListener("submit", function () {
        const button = form.querySelector("button");
        button.textContent = form.dataset.waits;
        button.disabled = true;
      });
    }
    for (const form of within.querySelectorAll("form.answering")) {
      form.addEventListener("submit", function (event) {
        if (form.dataset.sent) event.preventDefault(); // a second touch is not a second answer
        form.dataset.sent = "yes";
      });
    }
  }

  async function copy(button) {
    const words = document.getElementById(button.dataset.copy).textContent;
    let done = false;
    try {
      await navigator.clipboard.writeText(words);
      done = true;
    } catch (refused) { // plain http on the shop's network has no clipboard of that kind
      const field = document.createElement("textarea");
      field.value = words;
      button.after(field);
      field.select();
      done = document.execCommand("copy");
      field.remove();
      button.focus();
    }
    button.textContent = done ? "Copied" : "Could not be copied: select it by hand";
  }

  document.addEventListener("click", function (event) {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.copy) copy(button);
    if (button.dataset.print !== undefined) window.print();
  });

  dress(document);
  if (document.querySelector("[data-live], [data-news]")) {
    lastPulse = performance.now();
    open();
  } else if (linkWords) {
    linkWords.textContent = "as of";
  }
})();
