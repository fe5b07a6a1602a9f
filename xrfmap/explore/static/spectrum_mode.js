// What dragging in the spectrum does.
const names = ["window", "zoom", "pan"];
const now = names[mode.active];
for (const name of names) for (const tool of (tools[name] || [])) tool.active = false;
for (const tool of (tools[now] || [])) tool.active = true;
