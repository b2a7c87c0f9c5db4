// Tray for board and sensor: strain relief for two leads, a clip for the hose, ears for two cable ties.
// Print flat, no supports, 0.2 mm layers, a plastic that stands 80 degC (not PLA under a bonnet).
board_long = 52;      // mm, the board and 1 mm of play
board_wide = 22;
sensor_side = 26;     // the sensor's own little board
wall = 2.4;
floor_high = 2.4;
side_high = 9;
hose_outside = 8;     // 4 mm bore, 2 mm wall
lead_wide = 4.2;
$fn = 36;

inside_long = board_long + wall + sensor_side;
inside_wide = max(board_wide, sensor_side);

module tray() {
    difference() {
        cube([inside_long + 2 * wall, inside_wide + 2 * wall, floor_high + side_high]);
        translate([wall, wall, floor_high]) cube([board_long, inside_wide, side_high + 1]);
        translate([wall + board_long + wall, wall, floor_high]) cube([sensor_side, inside_wide, side_high + 1]);
        // leads cross the inner wall here
        translate([wall + board_long - 1, wall + inside_wide / 2 - lead_wide / 2, floor_high + 3])
            cube([wall + 2, lead_wide, side_high]);
        // USB plug
        translate([-1, wall + inside_wide / 2 - 5.5, floor_high + 1]) cube([wall + 2, 11, side_high + 1]);
        // hose to the sensor
        translate([wall + board_long + wall + sensor_side - 1, wall + inside_wide / 2 - hose_outside / 2, floor_high + 2])
            cube([wall + 2, hose_outside, side_high]);
        // drain: nothing that drips in may stay
        for (x = [wall + 8, wall + board_long - 8, wall + board_long + wall + sensor_side / 2])
            translate([x, wall + 4, -1]) cylinder(d = 3, h = floor_high + 2);
    }
}

module ear(x) {
    // a cable tie goes through, round the lead or round a bracket
    translate([x, -6, 0]) difference() {
        cube([10, 6.5, 4]);
        translate([2.5, 1.5, -1]) cube([5, 2.5, 6]);
    }
}

module hose_clip() {
    translate([inside_long + 2 * wall - 0.5, wall + inside_wide / 2, 0]) {
        difference() {
            translate([0, -hose_outside / 2 - wall, 0]) cube([10, hose_outside + 2 * wall, floor_high + 2 + hose_outside * 0.75]);
            translate([-1, 0, floor_high + 2 + hose_outside / 2]) rotate([0, 90, 0]) cylinder(d = hose_outside - 0.3, h = 12);
            translate([-1, -hose_outside * 0.39, floor_high + 2 + hose_outside / 2]) cube([12, hose_outside * 0.78, hose_outside]);
        }
    }
}

union() {
    tray();
    ear(6);
    ear(inside_long - 10);
    hose_clip();
}
