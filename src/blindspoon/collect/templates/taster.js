// Saves each answer as it is given, and keeps trying while the connection is lost.
// Without it the pages work the same, and an answer is saved with the button.
"use strict";
(function () {
  const form = document.getElementById("answer");
  const state = document.getElementById("state");
  const home = (form || document.querySelector("main")).dataset;
  const KEY = "unsent " + home.base;
  const LONGEST = 15;
  let memory = {}, busy = false, failures = 0, timer = 0, dirty = 0, leaving = "", sent = false;

  // Answers that are not acknowledged, by address; they outlive the page where the phone allows it.
  function unsent() {
    try { return JSON.parse(localStorage.getItem(KEY)) || memory; } catch { return memory; }
  }
  function keep(queue) {
    memory = queue;
    try {
      if (Object.keys(queue).length) localStorage.setItem(KEY, JSON.stringify(queue));
      else localStorage.removeItem(KEY);
    } catch { /* no storage: the queue lives as long as the page */ }
  }

  function say(text, kind) {
    if (!state) return;
    state.textContent = text;
    state.className = kind || "";
  }

  function store() {
    clearTimeout(dirty);
    dirty = 0;
    const bad = [...form.elements].find((field) => field.validity && field.validity.badInput);
    if (bad) {
      fault(bad.name, "This is not a number.");
      return false;
    }
    form.elements.turn.value = Number(form.elements.turn.value) + 1;
    const queue = unsent();
    queue[location.pathname] = new URLSearchParams(new FormData(form)).toString();
    keep(queue);
    send();
    return true;
  }

  async function send() {
    clearTimeout(timer);
    if (busy) return;
    const [path, body] = Object.entries(unsent())[0] || [];
    if (!path) return finished();
    busy = true;
    if (!failures) say("Saving…");
    const clock = new AbortController();
    const limit = setTimeout(() => clock.abort(), 10000);
    let reply = null, said = {};
    try {
      reply = await fetch(path, {
        method: "POST",
        body,
        headers: { "Content-Type": "application/x-www-form-urlencoded", Accept: "application/json" },
        keepalive: body.length < 60000,
        signal: clock.signal,
      });
      said = await reply.json();
    } catch { reply = null; }
    clearTimeout(limit);
    busy = false;
    settle(path, body, reply ? reply.status : 0, said);
  }

  function settle(path, body, status, said) {
    if (status === 200) {
      failures = 0;
      sent = true;
      acknowledged(path, body, said);
      return send();
    }
    leaving = status === 422 ? "" : leaving;
    if (status === 422 || status === 413) {
      failures = 0;
      forget(path, body);
      said.problems ? said.problems.forEach((each) => fault(each.field, each.text)) : say(said.message, "bad");
      return send();
    }
    if (status === 403 || status === 404) return say(said.message, "bad");
    failures += 1;
    const wait = Math.min(2 ** (failures - 1), LONGEST) * (0.75 + Math.random() / 2);
    say(said.message || "Not saved yet. Still trying: keep this page open.", "bad");
    timer = setTimeout(send, 1000 * wait);
  }

  function acknowledged(path, body, said) {
    const queue = unsent();
    if (queue[path] === body) delete queue[path];
    else if (queue[path]) {
      const newer = new URLSearchParams(queue[path]);
      newer.set("base", said.mark);
      queue[path] = newer.toString();
    }
    keep(queue);
    if (form && path === location.pathname) form.elements.base.value = said.mark;
    if (said.replaced) alsoElsewhere();
  }

  function forget(path, body) {
    const queue = unsent();
    if (queue[path] === body) delete queue[path];
    keep(queue);
  }

  function finished() {
    if (leaving) location.assign(leaving);
    else if (sent) say(form ? "Saved" : "Everything is saved now", "good");
  }

  function fault(name, text) {
    const place = document.getElementById(name + "-fault");
    if (place) place.textContent = text;
    say("Not saved: see above", "bad");
  }

  function alsoElsewhere() {
    const note = document.createElement("p");
    note.className = "notice";
    note.setAttribute("role", "status");
    note.textContent = "This cup had been answered on another page or phone. Your last answer " +
      "counts; the earlier one is kept for the host.";
    document.querySelector("h1").after(note);
  }

  // An answer that was not acknowledged when the page was left is shown again.
  function restore() {
    const body = unsent()[location.pathname];
    if (!body) return;
    const fields = new URLSearchParams(body);
    for (const field of form.elements) {
      if (field.type === "hidden" || !fields.has(field.name)) continue;
      if (field.type === "radio") field.checked = field.value === fields.get(field.name);
      else field.value = fields.get(field.name);
    }
  }

  function listen() {
    form.addEventListener("change", (event) => {
      const place = document.getElementById(event.target.name + "-fault");
      if (place) place.textContent = "";
      store();
    });
    form.elements.comment.addEventListener("input", () => {
      clearTimeout(dirty);
      dirty = setTimeout(store, 900);
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const go = event.submitter ? event.submitter.value : "next";
      leaving = form.dataset[go] || form.dataset.next;
      if (!store()) leaving = "";
    });
    addEventListener("pagehide", () => { if (dirty) store(); });
  }

  async function lookAgain() {
    try {
      const reply = await fetch(home.base);
      if (reply.ok) return location.reload();
    } catch { /* the host's computer does not answer: look again later */ }
    setTimeout(lookAgain, 1000 * home.wait);
  }

  if (form) { restore(); listen(); say("Answers are saved as you give them."); }
  if (home.wait) setTimeout(lookAgain, 1000 * home.wait);
  addEventListener("online", send);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) send(); });
  if (Object.keys(unsent()).length) send();
})();
