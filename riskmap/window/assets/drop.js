// A form for files: they are sent as soon as they are dropped or chosen, with the folder they came in.
import {keep} from "./keep.js";
import {say, token} from "./page.js";

async function entries(entry, path, found) {
  if (entry.isFile) {
    found.push([await new Promise((done, fail) => entry.file(done, fail)), path + entry.name]);
    return;
  }
  const reader = entry.createReader();
  for (;;) {
    const some = await new Promise((done, fail) => reader.readEntries(done, fail));
    if (!some.length) return;
    for (const one of some) await entries(one, `${path}${entry.name}/`, found);
  }
}

function send(form, files) {
  const wrong = form.querySelector(".wrong"), box = form.querySelector(".progress"), bar = box.querySelector("progress");
  if (form.dataset.keep !== undefined) keep(form);
  const body = new FormData();
  for (const field of form.elements) {  // the token first
    if (field.name && field.type !== "file" && field.type !== "submit") body.append(field.name, field.value);
  }
  for (const [file, name] of files) body.append("files", file, name);
  const request = new XMLHttpRequest();
  request.open("POST", form.action);
  request.setRequestHeader("Accept", "application/json");
  request.setRequestHeader("X-Riskmap-Token", token());
  request.responseType = "json";
  wrong.hidden = true;
  box.hidden = false;
  form.setAttribute("aria-busy", "true");
  const fail = (message) => {
    form.removeAttribute("aria-busy");
    box.hidden = true;
    wrong.textContent = message;
    wrong.hidden = false;
  };
  request.upload.addEventListener("progress", (event) => {
    bar.value = event.total ? event.loaded / event.total : 0;
    box.querySelector("[data-sent]").textContent = `${Math.round(event.loaded / 1e6)} of ${Math.round(event.total / 1e6)} MB`;
  });
  request.addEventListener("load", () => {
    if (request.status === 200 && request.response?.go) location.assign(request.response.go);
    else fail(request.response?.message ?? "The answer cannot be read. Is riskmap still open?");
  });
  request.addEventListener("error", () => fail("The files could not be sent. Is riskmap still open, and is there room on the disk?"));
  request.send(body);
  say("Sending the files.");
}

export function drops() {
  for (const form of document.querySelectorAll("[data-drop]")) {
    const zone = form.querySelector(".zone"), input = form.querySelector("input[type=file]");
    const chosen = () => [...input.files].map((file) => [file, file.webkitRelativePath || file.name]);
    const button = form.querySelector("button[type=submit]");
    button.hidden = true;  // for a browser without scripts
    input.addEventListener("change", () => {
      if (input.files.length) send(form, chosen());
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if (input.files.length) send(form, chosen());
    });
    const folder = form.querySelector("[data-folder]");
    if (folder && "webkitdirectory" in input) {
      folder.hidden = false;
      folder.addEventListener("click", () => {
        input.webkitdirectory = true;
        input.click();
        input.webkitdirectory = false;
      });
    }
    for (const kind of ["dragenter", "dragover"]) {
      zone.addEventListener(kind, (event) => {
        event.preventDefault();
        zone.classList.add("over");
      });
    }
    zone.addEventListener("dragleave", () => zone.classList.remove("over"));
    zone.addEventListener("drop", async (event) => {
      event.preventDefault();
      zone.classList.remove("over");
      const found = [], given = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry?.()).filter(Boolean);
      if (given.length) for (const entry of given) await entries(entry, "", found);
      else for (const file of event.dataTransfer.files) found.push([file, file.name]);
      if (found.length) send(form, found);
    });
  }
}
