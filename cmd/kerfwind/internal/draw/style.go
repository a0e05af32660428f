package draw

// style holds the colours and patterns. States differ by form first; the two
// hues, a blue and an amber, stay apart for every common kind of colour
// blindness. Dark colours apply on dark screens only, never in print.
const style = `<style>
.kw text{font-family:"DejaVu Sans",Verdana,"Segoe UI",Helvetica,Arial,sans-serif;fill:#1b1f24}
.kw .b{font-weight:bold}
.kw text.m{fill:#57606a}
.kw .bg{fill:#fff}
.kw .grid{stroke:#dfe3e8;stroke-width:1;fill:none}
.kw .axis{stroke:#57606a;stroke-width:1;fill:none}
.kw .band{fill:#1f4e8c;stroke:#1f4e8c;stroke-width:1.2;stroke-linejoin:round}
.kw .over{fill:#1f4e8c;stroke:#fff;stroke-width:.8}
.kw .run{fill:url(#kw-run)}
.kw .cap,.kw .capline{fill:#9a5b00;stroke:#9a5b00}
.kw .capline{stroke-width:1.2}
.kw .none{fill:url(#kw-none);stroke:#57606a;stroke-width:.8;stroke-dasharray:2 2}
.kw .start{stroke:#1b1f24;stroke-width:1;stroke-dasharray:7 3;fill:none}
.kw .stop{stroke:#1b1f24;stroke-width:1;stroke-dasharray:1.5 3;fill:none}
.kw .shut{stroke:#8a939d;stroke-width:1.5;fill:none}
.kw .full{fill:#1f4e8c}
.kw .move{fill:url(#kw-move);stroke:#1f4e8c;stroke-width:1}
.kw .hatch{fill:url(#kw-hatch);stroke:#1f4e8c;stroke-width:1}
.kw .dots{fill:url(#kw-dots);stroke:#1f4e8c;stroke-width:1}
.kw .bars{fill:url(#kw-bars);stroke:#1f4e8c;stroke-width:1}
.kw .stray{fill:#fff;stroke:#1f4e8c;stroke-width:2;stroke-dasharray:6 3}
.kw .ink{fill:#1b1f24;stroke:#1b1f24;stroke-width:1}
.kw .cut{stroke:#fff;stroke-width:1.6}
.kw text.on{fill:#fff}
.kw text.halo{paint-order:stroke;stroke:#fff;stroke-width:4;stroke-linejoin:round}
.kw .flag{fill:#fff;stroke:#1b1f24;stroke-width:1.4;stroke-linejoin:round}
.kw .flagline{stroke:#1b1f24;stroke-width:.8;stroke-dasharray:1 3;fill:none}
.kw .lasts{stroke:#1b1f24;stroke-width:1.6;fill:none}
.kw .p{stroke-width:1;fill:none}
.kw .pr{stroke:#dca64a}.kw .pn{stroke:#8a939d}.kw .pb{stroke:#1f4e8c}
.kw .pd{fill:#1f4e8c}.kw .pw{fill:#fff}
@media screen and (prefers-color-scheme:dark){
.kw text{fill:#e7eaee}.kw text.m{fill:#a3adb8}.kw .bg{fill:#14181d}
.kw .grid{stroke:#2a3139}.kw .axis{stroke:#a3adb8}
.kw .band{fill:#8cbcf5;stroke:#8cbcf5}.kw .over{fill:#8cbcf5;stroke:#14181d}
.kw .cap,.kw .capline{fill:#f0b95a;stroke:#f0b95a}
.kw .none{stroke:#a3adb8}
.kw .start,.kw .stop{stroke:#e7eaee}.kw .shut{stroke:#6d7782}
.kw .full{fill:#8cbcf5}
.kw .move,.kw .hatch,.kw .dots,.kw .bars{stroke:#8cbcf5}
.kw .stray{fill:#14181d;stroke:#8cbcf5}
.kw .ink{fill:#e7eaee;stroke:#e7eaee}
.kw .cut{stroke:#14181d}.kw text.on{fill:#10151b}.kw text.halo{stroke:#14181d}
.kw .flag{fill:#14181d;stroke:#e7eaee}.kw .flagline,.kw .lasts{stroke:#e7eaee}
.kw .pr{stroke:#7a5b24}.kw .pn{stroke:#6d7782}.kw .pb{stroke:#8cbcf5}
.kw .pd{fill:#8cbcf5}.kw .pw{fill:#14181d}
}
</style>
<defs>
<pattern id="kw-run" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><line class="p pr" x1="0" y1="0" x2="0" y2="7"/></pattern>
<pattern id="kw-none" width="6" height="6" patternUnits="userSpaceOnUse"><path class="p pn" d="M0 0L6 6M6 0L0 6"/></pattern>
<pattern id="kw-move" width="3" height="3" patternUnits="userSpaceOnUse"><rect class="pw" width="3" height="3"/><line class="p pb" x1="0" y1="1.5" x2="3" y2="1.5"/></pattern>
<pattern id="kw-hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="pw" width="6" height="6"/><line class="p pb" x1="1" y1="0" x2="1" y2="6" stroke-width="1.6"/></pattern>
<pattern id="kw-dots" width="6" height="6" patternUnits="userSpaceOnUse"><rect class="pw" width="6" height="6"/><circle class="pd" cx="1.5" cy="1.5" r="1.1"/><circle class="pd" cx="4.5" cy="4.5" r="1.1"/></pattern>
<pattern id="kw-bars" width="5" height="5" patternUnits="userSpaceOnUse"><rect class="pw" width="5" height="5"/><line class="p pb" x1="1" y1="0" x2="1" y2="5"/></pattern>
</defs>
`
