// One way of working on all maps at a time.
const names = ["point", "corners", "free-hand", "zoom", "pan"];
const now = names[mode.active];
for (const name of names) for (const tool of (tools[name] || [])) tool.active = false;
for (const tool of (tools[now] || [])) tool.active = true;
