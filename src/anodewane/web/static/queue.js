"use strict";
// Photos on their way. Each is put into the phone's own store (IndexedDB) before anything is sent, and taken out only once the laptop has it whole on its disk: a page that
// reloads, a lost connection or a restarted server lose nothing. Sent in pieces; the laptop says where to go on.
const PIECE = 128 * 1024;
const csrf = document.querySelector('meta[name="csrf"]').content;
const bar = document.getElementById("queue");

function store() {
  return new Promise((yes, no) => {
    const ask = indexedDB.open("anodewane", 1);
    ask.onupgradeneeded = () => ask.result.createObjectStore("photos", { keyPath: "id" });
    ask.onsuccess = () => yes(ask.result);
    ask.onerror = () => no(ask.error);
  });
}
async function inStore(mode, work) {
  const db = await store();
  try {
    return await new Promise((yes, no) => {
      const t = db.transaction("photos", mode);
      const asked = work(t.objectStore("photos"));
      t.oncomplete = () => yes(asked.result);
      t.onerror = t.onabort = () => no(t.error);
    });
  } finally { db.close(); }
}
const waiting = async () => (await inStore("readonly", (s) => s.getAll())).sort((a, b) => a.at - b.at);
const number = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");

class Refused extends Error { constructor(status, told) { super(told.says || "refused"); this.status = status; this.told = told; } }

function send(method, url, body, progress) {
  return new Promise((yes, no) => {
    const x = new XMLHttpRequest();
    x.open(method, url);
    x.timeout = 60000;
    x.setRequestHeader("x-csrf", csrf);
    if (progress) x.upload.onprogress = (e) => progress(e.loaded);
    x.onload = () => {
      let told = {};
      try { told = JSON.parse(x.responseText); } catch (e) { told = {}; }
      if (x.status >= 200 && x.status < 300) yes(told); else no(new Refused(x.status, told));
    };
    x.onerror = x.ontimeout = x.onabort = () => no(new Refused(0, {}));
    x.send(body);
  });
}
const sleep = (ms) => new Promise((yes) => setTimeout(yes, ms));

function say(text) {
  const kept = [...held.values()];
  bar.hidden = !text && !kept.length;
  bar.textContent = text;
  for (const { photo, why } of kept) {
    // nothing is thrown away but by hand
    const line = document.createElement("p"), button = document.createElement("button");
    line.textContent = `${photo.boat}, ${photo.position}: ${why} The photo is kept on this phone and tried again when a page is loaded.`;
    button.className = "button";
    button.textContent = "Throw it away";
    button.addEventListener("click", async () => {
      if (!window.confirm("Throw this photo away?")) return;
      await inStore("readwrite", (s) => s.delete(photo.id));
      held.delete(photo.id);
      say("");
    });
    bar.append(line, button);
  }
}
const held = new Map();
function form(photo) {
  return [...document.querySelectorAll(".capture")].find((f) => f.dataset.boat === photo.boat && f.dataset.position === photo.position);
}
function tell(photo, text, share) {
  const f = form(photo);
  if (!f) return;
  f.querySelector(".state").textContent = text;
  f.querySelector(".progress").hidden = share === undefined;
  if (share !== undefined) f.querySelector("progress").value = share;
}

async function one(photo) {
  let told = await send("POST", "/upload", JSON.stringify({ id: photo.id, boat: photo.boat, position: photo.position, size: photo.blob.size }));
  while (told.state === "receiving") {
    const from = told.received;
    const shown = (sent) => {
      const share = Math.min(99, Math.round(100 * (from + sent) / photo.blob.size));
      tell(photo, `Sending: ${share} %`, share);
    };
    shown(0);
    told = await send("PUT", `/upload/${photo.id}?offset=${from}`, photo.blob.slice(from, from + PIECE), shown);
  }
  await inStore("readwrite", (s) => s.delete(photo.id));
  follow(photo.id, photo);
}

let pumping = false;
async function pump() {
  if (pumping) return;
  pumping = true;
  let pause = 500;
  try {
    for (;;) {
      const all = (await waiting()).filter((p) => !held.has(p.id));
      if (!all.length) { say(""); return; }
      const photo = all[0];
      say(`${all.length} ${all.length === 1 ? "photo" : "photos"} on this phone still to send`);
      try {
        await one(photo);
        pause = 500;
      } catch (e) {
        if (!(e instanceof Refused)) throw e;
        if (e.status === 401 || e.status === 403) {
          say(`${all.length} on this phone still to send. This phone has to be paired again; the photos are kept on it.`);
          tell(photo, "Pair this phone again, then the photo goes.");
          return;
        }
        if (e.status === 409 && e.told.says === "Another photo has that number.") {
          const again = { ...photo, id: number() }, f = form(photo);
          await inStore("readwrite", (s) => { s.put(again); return s.delete(photo.id); }); // one transaction: never without it
          if (f && f.dataset.follow === photo.id) f.dataset.follow = again.id;
          continue;
        }
        if (e.status === 404) { await sleep(1000); continue; } // the laptop doesn't know it: announced anew
        if (e.status === 409 || e.status === 413 || e.status === 422) {
          const why = `${e.told.says || "It wasn't taken."} ${e.told.remedy || ""}`;
          held.set(photo.id, { photo, why });
          tell(photo, why);
          continue;
        }
        const text = e.status === 0 ? "No connection. The photo is kept on this phone and goes when the laptop is back." : `${e.told.says || "Not now."} The photo is kept on this phone.`;
        say(`${all.length} on this phone still to send. ${text}`);
        tell(photo, text);
        await sleep(pause);
        pause = Math.min(pause * 2, 8000);
      }
    }
  } catch (e) {
    say("This browser can't keep photos. Leave private browsing, or free some space on the phone.");
  } finally { pumping = false; }
}

async function follow(id, photo) {
  tell(photo, "Judging ...");
  for (;;) {
    let told;
    try { told = await send("GET", `/upload/${id}?wait=1`); } catch (e) {
      if (e.status === 404) tell(photo, "Another phone's photo of this part is being judged. Load the page again in a moment.");
      if (e.status !== 0 && e.status !== 429 && e.status !== 503) return;
      tell(photo, "No connection. The photo is on the laptop and will be judged.");
      await sleep(1500);
      continue;
    }
    if (told.state === "done") {
      tell(photo, "Done.");
      const f = form(photo);
      // only where nobody is in the middle of taking another one
      if (f && f.dataset.follow === id) location.assign(`/judgement/${told.judgement}`);
      return;
    }
    if (told.state === "failed") { tell(photo, `${told.says} ${told.remedy}`); return; }
    await sleep(50);
  }
}

for (const f of document.querySelectorAll(".capture")) {
  if (f.dataset.waiting) {
    f.dataset.follow = f.dataset.waiting;
    follow(f.dataset.waiting, { boat: f.dataset.boat, position: f.dataset.position });
  }
  for (const input of f.querySelectorAll("input[type=file]")) {
    const take = async () => {
      const file = input.files[0];
      if (!file) return;
      const photo = { id: number(), boat: f.dataset.boat, position: f.dataset.position, at: Date.now(), blob: file };
      try {
        await inStore("readwrite", (s) => s.put(photo));
      } catch (e) {
        tell(photo, "This phone can't keep the photo: leave private browsing, or free some space, and take it again.");
        return;
      }
      f.dataset.follow = photo.id;
      input.value = "";
      pump();
    };
    input.addEventListener("change", take);
    take(); // on a slow link the photo may be taken before this script is here
  }
}
waiting().then((all) => {
  for (const photo of all) { const f = form(photo); if (f) f.dataset.follow = photo.id; }
}).catch(() => {}).finally(pump);
window.addEventListener("online", pump);
