// A place on the panel to drop files and folders on; what was dropped goes to `files` as it is.
async function read(entry, place, found) {
  if (entry.isDirectory) {
    const reader = entry.createReader();
    for (;;) {
      const some = await new Promise((good, bad) => reader.readEntries(good, bad));
      if (some.length === 0) return;
      for (const one of some) await read(one, place + entry.name + "/", found);
    }
  }
  const file = await new Promise((good, bad) => entry.file(good, bad));
  found.push({ name: place + entry.name, content: new DataView(await file.arrayBuffer()) });
}

function render({ model, el }) {
  const zone = document.createElement("div");
  zone.className = "dropped-files";
  zone.setAttribute("role", "region");
  zone.setAttribute("aria-label", "Drop files here");
  zone.style.cssText = "border:1px dashed;border-radius:4px;padding:4px 12px;min-width:220px";
  const tell = () => {
    const names = model.get("files").map((one) => one.name);
    zone.textContent = names.length ? names.join(", ") : "or drop files or a folder here";
  };
  const take = (event) => {
    event.preventDefault();
    event.stopPropagation();
  };
  zone.addEventListener("dragenter", take);
  zone.addEventListener("dragover", take);
  zone.addEventListener("drop", async (event) => {
    take(event);
    const found = [];
    const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry());
    const files = [...event.dataTransfer.files];
    for (const entry of entries) if (entry) await read(entry, "", found);
    if (!found.length)
      for (const file of files)
        found.push({ name: file.name, content: new DataView(await file.arrayBuffer()) });
    model.set("files", found);
    model.save_changes();
  });
  model.on("change:files", tell);
  tell();
  el.append(zone);
}

export default { render };
