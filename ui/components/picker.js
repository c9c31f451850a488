// Take or choose photos and send them to the server with patience.
// The websocket may drop while the phone's camera is open, and the page may even be reloaded, so:
// the bytes go by plain POST with retries, and what was sent is noted in sessionStorage until the
// server side says it has seen it (data.seen).

const WAITS_MS = [400, 800, 1500, 3000, 5000, 8000, 8000, 8000, 15000, 15000, 15000, 30000];
const INSIST_MS = 1500;
const STORE = "deckplumb.sent";

function readSent() {
  try {
    const list = JSON.parse(sessionStorage.getItem(STORE) || "[]");
    return Array.isArray(list) ? list.filter((id) => /^[0-9a-f]{20}$/.test(id)) : [];
  } catch {
    return [];
  }
}

function writeSent(list) {
  try {
    sessionStorage.setItem(STORE, JSON.stringify(list));
  } catch {
    // Private browsing without storage: the websocket alone must do.
  }
}

function send(file, onProgress) {
  return new Promise((resolve) => {
    const request = new XMLHttpRequest();
    request.open("POST", "/inbox");
    request.setRequestHeader("X-Deckplumb", "photo");
    request.setRequestHeader("X-Photo-Name", encodeURIComponent(file.name || "photo"));
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.timeout = 600000;
    request.upload.onprogress = (e) => e.lengthComputable && onProgress(e.loaded / e.total);
    request.onload = () => {
      let body = {};
      try {
        body = JSON.parse(request.responseText);
      } catch {
        body = {};
      }
      resolve({ status: request.status, body });
    };
    request.onerror = request.ontimeout = request.onabort = () => resolve({ status: 0, body: {} });
    request.send(file);
  });
}

function pause(ms, root) {
  return new Promise((resolve) => {
    const timer = setTimeout(done, ms);
    function done() {
      clearTimeout(timer);
      window.removeEventListener("online", done);
      document.removeEventListener("visibilitychange", visible);
      resolve();
    }
    function visible() {
      if (!document.hidden) done();
    }
    window.addEventListener("online", done);
    document.addEventListener("visibilitychange", visible);
  });
}

const kept = new WeakMap();

export default function (component) {
  const { data, parentElement, setStateValue, setTriggerValue } = component;
  const root = parentElement.querySelector(".picker");
  let state = kept.get(root);
  if (!state) {
    state = { sent: readSent() };
    kept.set(root, state);
    wire(root, state);
  }
  state.tell = (list) => setStateValue("sent", list);

  const video = data.kind === "video";
  root.querySelector(".take span").textContent = data.take;
  root.querySelector(".choose span").textContent = data.choose;
  for (const input of root.querySelectorAll("input")) {
    input.accept = video ? "video/*" : "image/*,.heic,.heif,.tif,.tiff";
  }
  root.querySelector(".take").hidden = !window.matchMedia("(any-pointer: coarse)").matches;
  root.classList.toggle("alone", root.querySelector(".take").hidden);

  showRecent(root, data.recent || [], (id) => setTriggerValue("again", id));

  const seen = new Set(data.seen || []);
  const waiting = state.sent.filter((id) => !seen.has(id));
  if (waiting.length !== state.sent.length) {
    state.sent = waiting;
    writeSent(waiting);
    for (const row of root.querySelectorAll("li.sent")) row.remove();
  }
  insist(state, waiting.length > 0 && !state.told);
}

// Tell the page's server side what has arrived, again and again until it says it has seen it: a
// message sent while the websocket is down is lost without a word.
function insist(state, atOnce) {
  clearTimeout(state.timer);
  if (!state.sent.length) {
    state.told = false;
    return;
  }
  if (atOnce) {
    state.told = true;
    state.tell([...state.sent]);
  }
  state.timer = setTimeout(() => insist(state, true), INSIST_MS);
}

function showRecent(root, recent, again) {
  const shelf = root.querySelector(".recent");
  shelf.hidden = !recent.length;
  const row = shelf.querySelector("div");
  const now = recent.map((r) => r.id + r.current).join();
  if (row.dataset.now === now) return;
  row.dataset.now = now;
  row.replaceChildren(
    ...recent.map((r) => {
      const button = document.createElement("button");
      button.type = "button";
      button.setAttribute("aria-label", `Read again: ${r.name}, ${r.when}`);
      button.setAttribute("aria-pressed", String(r.current));
      button.onclick = () => again(r.id);
      const image = document.createElement("img");
      image.src = `/inbox/${r.id}/thumb.jpg`;
      image.alt = "";
      image.loading = "lazy";
      const when = document.createElement("span");
      when.textContent = r.when;
      button.append(image, when);
      return button;
    }),
  );
}

function wire(root, state) {
  const list = root.querySelector(".list");
  for (const input of root.querySelectorAll("input")) {
    input.addEventListener("change", async () => {
      const files = Array.from(input.files || []);
      for (const file of files) await deliver(file);
      input.value = "";
    });
  }

  async function deliver(file) {
    const row = document.createElement("li");
    const words = document.createElement("span");
    const bar = document.createElement("progress");
    bar.max = 1;
    bar.value = 0;
    bar.setAttribute("aria-label", "Sent so far");
    row.append(words, bar);
    list.append(row);
    for (let attempt = 0; ; attempt += 1) {
      words.textContent = attempt
        ? `No answer yet; sending ${file.name} again (${attempt + 1})…`
        : `Sending ${file.name}…`;
      const answer = await send(file, (part) => {
        bar.value = part;
        if (part === 1) words.textContent = `${file.name} is across; opening it…`;
      });
      if (answer.status === 201 && answer.body.id) {
        row.className = "sent";
        words.textContent = `${file.name} has arrived.`;
        bar.remove();
        state.sent = [...state.sent.filter((id) => id !== answer.body.id), answer.body.id];
        writeSent(state.sent);
        insist(state, true);
        return;
      }
      if (answer.status >= 400 && answer.status < 500) {
        row.className = "refused";
        bar.remove();
        words.textContent = answer.body.reason
          ? `✖ ${answer.body.reason} ${answer.body.advice}`
          : "✖ This computer does not know this phone any more. Scan the code again.";
        return;
      }
      if (attempt >= WAITS_MS.length) {
        row.className = "refused";
        bar.remove();
        words.textContent = `✖ ${file.name} could not be sent. Is the computer awake and on the same network? Choose the photo again when it is.`;
        return;
      }
      bar.value = 0;
      words.textContent = `The connection dropped. ${file.name} is kept and will be sent again…`;
      await pause(WAITS_MS[attempt], root);
    }
  }
}
