// Plugs for the known openings, for a breather hose of about 19 mm bore: a tapered body, a flange to pull it out by.
// Printed with a pilot hole, then drilled through by hand to the size that the dents on the flange count: the hole has
// to be a drill's, not a printer's. First plug: no hole, for the closed state.
bores = [0, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0];   // mm, after drilling
body_small = 17.6;
body_large = 20.4;
body_long = 18;
flange = 28;
flange_thick = 4;
land = 1.2;           // length of the drilled hole; behind it the bore is wide, so that the hole stays a short one
pilot_under = 0.4;    // printed smaller than the drill
$fn = 36;

module plug(bore, dents) {
    difference() {
        union() {
            cylinder(d = flange, h = flange_thick);
            translate([0, 0, flange_thick - 0.01]) cylinder(d1 = body_large, d2 = body_small, h = body_long);
        }
        if (bore > 0) {
            translate([0, 0, -1]) cylinder(d = bore - pilot_under, h = land + 1.01);
            translate([0, 0, land]) cylinder(d = 11, h = body_long + flange_thick);
        } else {
            translate([0, 0, land]) cylinder(d = 11, h = body_long + flange_thick);
        }
        for (k = [0 : 1 : dents - 1])
            rotate([0, 0, k * 36]) translate([flange / 2, 0, -1]) cylinder(d = 2.4, h = flange_thick + 2, $fn = 10);
    }
}

for (n = [0 : len(bores) - 1])
    translate([(n % 4) * (flange + 4), floor(n / 4) * (flange + 4), 0]) plug(bores[n], n);
