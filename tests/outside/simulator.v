// Runs under a general Verilog simulator: a dump by `$dumpvars`, and beside it on standard output every change
// as the language itself prints it. Invented circuit: a UART that sends, a bus, a real, nested modules.
`timescale 1 ns / 100 ps

module sender(output reg tx);
    task send(input [7:0] value);
        integer i;
        begin
            tx = 0;
            #8680.6;
            for (i = 0; i < 8; i = i + 1) begin
                tx = value[i];
                #8680.6;
            end
            tx = 1;
            #8680.6;
        end
    endtask
    initial tx = 1;
endmodule

module bench;
    wire tx;
    reg [7:0] bus;
    reg [0:3] up;
    integer count;
    real volts;
    reg alone;
    sender uart(tx);
    wire copy = tx;

    always @(tx) $display("%0.0f tx %b", $realtime * 10, tx);
    always @(bus) $display("%0.0f bus %b", $realtime * 10, bus);
    always @(up) $display("%0.0f up %b", $realtime * 10, up);
    always @(alone) $display("%0.0f alone %b", $realtime * 10, alone);
    always @(volts) $display("%0.0f volts %0.17g", $realtime * 10, volts);

    integer k;
    initial begin
        $dumpfile("out.vcd");
        $dumpvars(0, bench);
        #1000 bus = 8'h05; up = 4'b1000; volts = 3.3; alone = 0; count = -1;
        #7 bus = 8'bzzzz_01x1; alone = 1'bz;
        #3 bus = 8'hff; alone = 1'bx;
        #2.5 bus = 8'h00; alone = 1; up = 4'b0x1z; volts = 0.92589928;
        for (k = 0; k < 256; k = k + 1) begin
            bus = k;
            uart.send(k);
        end
        #1 up = 4'b0110;
        #100 $dumpoff;
        #100 $dumpon;
        #100 $finish;
    end
endmodule
