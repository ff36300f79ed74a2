// A photo from the clipboard, pasted anywhere on the page or fetched by the button.
async function send(blob, component, say) {
  const limit = component.data.most_bytes;
  if (blob.size > limit) return say(`That picture is larger than ${Math.round(limit / 1048576)} MB. Save it as a file and choose that.`);
  say("Reading the pasted picture…");
  const reader = new FileReader();
  reader.onload = () => {
    const base64 = reader.result.slice(reader.result.indexOf(",") + 1);
    component.setTriggerValue("pasted", { name: blob.name || `pasted.${blob.type.split("/")[1] || "png"}`, base64 });
    say("");
  };
  reader.onerror = () => say("The clipboard picture could not be read. Save it as a file and choose that.");
  reader.readAsDataURL(blob);
}

function typing(event) {
  const node = event.composedPath()[0];
  return node?.matches?.("input:not([type=file]), textarea, [contenteditable=true]");
}

export default function (component) {
  const root = component.parentElement.querySelector(".root");
  if (!root.firstChild) {
    root.said = el("p", { class: "said", role: "status" });
    root.button = tool("paste", "Paste a picture from the clipboard", () => root.fetch(), { text: "Paste a picture" });
    root.button.hidden = !navigator.clipboard?.read;
    root.append(el("div", { class: "paste" }, root.button, el("p", {}, "or press Ctrl + V (⌘ V) anywhere on this page."), root.said));
  }
  const say = (text) => (root.said.textContent = text);
  root.fetch = async () => {
    try {
      for (const item of await navigator.clipboard.read()) {
        const type = item.types.find((name) => name.startsWith("image/"));
        if (type) return send(await item.getType(type), component, say);
      }
      say("There is no picture on the clipboard.");
    } catch {
      say("The browser did not hand over the clipboard. Press Ctrl + V instead.");
    }
  };
  const pasted = (event) => {
    const files = [...(event.clipboardData?.files ?? [])].filter((file) => file.type.startsWith("image/"));
    if (!files.length) {
      if (!typing(event)) say("There is no picture on the clipboard.");
      return;
    }
    event.preventDefault();
    send(files[0], component, say);
  };
  document.addEventListener("paste", pasted);
  return () => document.removeEventListener("paste", pasted);
}
